"""What is drawn: which files hold it, and how it is saved."""
