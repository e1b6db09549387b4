"""The checks of a firmware project: current, clean, bit-exact, proven; one spec or many."""
