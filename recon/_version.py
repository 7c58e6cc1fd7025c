"""Version of the distribution: one literal, read by the build without importing anything."""

__version__ = "0.1.0"
