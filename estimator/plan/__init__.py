"""What to do, and when? The change-over, by simulated futures."""
