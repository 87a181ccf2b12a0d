"""The one owner of time and state, and its parts."""
