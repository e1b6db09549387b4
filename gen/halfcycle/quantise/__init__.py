"""From a Design to a Plan: formats, intervals, resolution, and a loop that comes to rest."""
