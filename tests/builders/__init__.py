"""What tests of several rooms build their cases from."""
