"""Figures and their captions."""
