"""routerd: a real-time MIDI router and clock daemon for a touring live rig."""

__version__ = "0.1.0"
