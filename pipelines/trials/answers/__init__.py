"""What a trial says, while it runs and at its end, and which trial is worth trying next."""
