"""The way out: pacing a wire, and what a device stands on."""
