"""The pure core: no port, no file, no clock read, no thread; time comes in as an argument.

Imports go one way: units ← midi ← model ← output ← clock and routing ← follow ← show.
"""
