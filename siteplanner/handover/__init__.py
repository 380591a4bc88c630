"""What people take away: the map, tables and files, written whole or not at all."""
