"""The API over HTTP."""
