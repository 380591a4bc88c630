"""The species table: who each species is, what it stands, its code and its seed."""
