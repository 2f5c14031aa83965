"""Two collectors killed and restarted at random while results stream in: none missing, none twice."""
