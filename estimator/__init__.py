"""Bayesian estimator of a reef tank's daily uptake, and the reactor advice that follows from it."""

__version__ = "0.1.0"
