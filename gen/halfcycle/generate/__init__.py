"""From a Plan to the text of the C, and the one module that says the order of the stages."""
