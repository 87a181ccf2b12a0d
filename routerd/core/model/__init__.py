"""The vocabulary: values that people write in files and ask for. Imports `midi` and `units`."""
