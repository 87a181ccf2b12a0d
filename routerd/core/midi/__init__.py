"""What the MIDI standards define: messages, parameters, rest positions, tuning. Imports `units` only."""
