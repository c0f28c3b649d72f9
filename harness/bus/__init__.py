"""The LIN bus: what a master needs of a port, the ports there are, the master."""
