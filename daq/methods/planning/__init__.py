"""Method, product, instrument and measuring geometry to a plan."""
