"""What did the keeper write? Both files, read, checked, in canonical units."""
