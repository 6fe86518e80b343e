"""Cutcall: tells a forage grower when to start cutting."""

__version__ = "0.1.0"
