"""What is known of the loss sensors of each machine, from its readings and its loss checks."""
