"""What several tests share: invented tanks, keepers, fits and studies, and running the command."""
