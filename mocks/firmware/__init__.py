"""The breaker's firmware as a microcontroller would run it: plain integers, no clock, no port, no numpy.

No cache, no defensive branch, no logging: every line can be reached from the bus or the terminals, so that any
mechanical change here is a plausible firmware defect. Blocks, noise and event order live in mocks/world.py.
"""
