"""The soundcheck: a timed run over the rig that ends in a verdict on every device."""
