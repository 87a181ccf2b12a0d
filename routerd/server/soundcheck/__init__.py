"""The soundcheck: a timed run over the rig that ends in a verdict on every device."""

from typing import Literal, get_args

Stage = Literal["machine", "roll-call", "clock", "loops", "traffic", "songs", "unplug"]
"""What it is made of, in the order in which it is done."""

STAGES: tuple[Stage, ...] = get_args(Stage)
