"""Values of results and benches as the templates show them.  Pure."""
