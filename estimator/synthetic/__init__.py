"""Tanks of known truth: the simulator and the demo."""
