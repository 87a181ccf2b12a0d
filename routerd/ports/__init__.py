"""Ports behind one small interface: the system's own, and simulated ones."""
