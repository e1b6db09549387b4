"""The compiled C beside the model, bit for bit: compiler, harness, scenarios, comparison."""
