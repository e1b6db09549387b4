"""Design, generate and prove fixed-point amplitude regulators for single-phase inverters."""

__version__ = "0.1.0"
