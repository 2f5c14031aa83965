"""Who visits the page: cookies, failed log-ins by address, and the check before every handler."""
