"""Parts shared by the long-lived processes, daemon and collector: logs, systemd, metrics port, secrets, tasks."""
