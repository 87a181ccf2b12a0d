"""The real-time process: clock thread, inputs, link, supervision."""
