"""From a Spec to a Design: the window, the gains, their figures and the findings."""
