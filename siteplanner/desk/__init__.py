"""The desk: a local page on which a site is drawn, planned and looked at; it computes nothing."""
