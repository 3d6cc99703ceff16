"""What is a test worth, and which comes next?"""
