"""The work on the desk: views over queries, and forms over acts."""
