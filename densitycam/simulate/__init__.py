"""Optics of demo scenes with known truth; shares nothing with the estimator but the card."""
