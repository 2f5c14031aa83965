"""The visits of browsers: their cookies, and failed log-ins by address."""
