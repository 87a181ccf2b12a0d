"""The way of a message: tables, converters, what is held and muted, loops. Imports `output` and below."""
