"""Instruments by role: each speaks SCPI text over a link and knows its own verbs, and no more.

Verbs are those of SCPI-99 and IEEE 488.2 where these have one. A link is a socket, a serial line or, on the simulated
bench, the mock's own parser in process.
"""
