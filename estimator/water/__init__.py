"""What does water do? Chemistry, settings, light, the reactor's supply."""
