"""The pure core: no port, no file, no clock read, no thread; time comes in as an argument."""
