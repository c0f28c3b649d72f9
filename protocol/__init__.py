"""Bytes to values and back, and what a breaker is. No clock, port, file or YAML here: time is passed in, never read."""
