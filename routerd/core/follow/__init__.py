"""Somebody else leads the clock."""
