"""The process people talk to: files, API, reports, log."""
