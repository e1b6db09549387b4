"""The Plan of integers, their one arithmetic, and the reference model that runs on them."""
