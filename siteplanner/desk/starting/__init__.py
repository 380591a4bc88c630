"""Starting a site on the page."""
