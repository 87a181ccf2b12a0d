"""The way in: tables, converters, what is held and muted."""
