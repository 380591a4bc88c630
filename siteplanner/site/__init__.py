"""The site file and every setting, documented once."""
