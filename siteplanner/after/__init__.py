"""What is done with a plan once it is written."""
