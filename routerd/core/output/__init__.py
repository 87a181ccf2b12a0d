"""The way out: pacing a wire, and what the devices behind it are on. Imports `midi` and `model`."""
