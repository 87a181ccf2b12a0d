"""Commands that need no running service."""
