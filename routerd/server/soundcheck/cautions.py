"""What is said before a soundcheck makes the rig sound."""

from __future__ import annotations

CAUTIONS = (
    "Turn amplifiers, monitors and in-ear levels down first; take in-ears out until the first song has been "
    "heard.",
    "The traffic run plays notes, softly (velocity 20 at most, unless a route sets another), and the song "
    "changes send every song's patches: an instrument may answer with a sudden loud sound, or be set louder "
    "than it was.",
    "Songs that start on entry start their sequencers; drum machines and modular systems will play.",
    "Unplug and plug MIDI and USB cables only. Mains and phantom power are for people qualified for them; "
    "local rules on sound levels and electrical safety come first.",
)
