"""From photographs of fragments of a repeating wall decoration to marks on the wall."""

__version__ = "0.1.0"
