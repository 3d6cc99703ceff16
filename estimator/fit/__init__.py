"""What does the log say? From schedule to posterior and its checks."""
