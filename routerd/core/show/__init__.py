"""The one owner of time and state, and its parts. Imports all other rooms of the core."""
