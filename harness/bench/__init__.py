"""The bench: instruments by role, the gate, making safe, and the door to the simulated one."""
