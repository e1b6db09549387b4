"""The same response at another loop period or mains frequency."""
