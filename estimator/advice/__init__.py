"""What follows for the tank? Flow, chamber, pH, supplies, outlook."""
