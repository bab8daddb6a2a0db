"""Ring widths: the public archive's decadal format, series to cores, checks."""
