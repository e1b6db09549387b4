"""Records and meter readings from the bench, run through the measuring code."""
