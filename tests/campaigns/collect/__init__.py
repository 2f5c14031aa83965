"""Campaign: two collectors are killed and restarted at random while results arrive; no result is missing or stored twice."""
