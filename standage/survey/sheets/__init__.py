"""What the shape of a sheet says without writing it: titles, groups, lists, notes."""
