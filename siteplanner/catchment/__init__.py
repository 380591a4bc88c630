"""A whole catchment: layers of ground larger than memory."""
