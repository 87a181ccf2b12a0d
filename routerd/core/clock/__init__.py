"""Where ticks lie, and what follows from them. Imports `midi`, `model` and `output`, to which timed things
go."""
