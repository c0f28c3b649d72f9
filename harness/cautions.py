"""What is said wherever somebody might connect a breaker: guidance, not compliance, never in place of local rules."""

CAUTIONS = (
    "An open solid-state breaker does not isolate: it leaks, and its usual failure is a short. Its load side is live"
    " whenever its source side is. Only a contactor or disconnector with a verified gap, then earthing and shorting,"
    " makes it dead.",
    "700 V d.c. kills.",
    "Capacitors stay charged after switching off: discharge, verify with a tester checked before and after, and short"
    " with a discharge stick.",
    "Opening d.c. under load draws an arc that does not go out by itself. Parts get hot and may fly.",
    "Two people, both qualified; lock out and tag what is worked on.",
    "Interlock and emergency stop act in hardware. Software is not a safety function, and this is no exception.",
    "This is guidance, not compliance: local codes, standards, site rules and licensed practice come first.",
)
"""The first is the first everywhere."""
