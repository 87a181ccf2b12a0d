"""Where ticks lie, and what follows from them."""
