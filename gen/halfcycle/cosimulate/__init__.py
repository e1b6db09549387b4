"""Co-simulation units (FMI 2.0): the generated C, and a virtual board, for other simulators."""
