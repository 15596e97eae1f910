"""The rehearsal page: its server, its sessions and the handlers of its requests."""
