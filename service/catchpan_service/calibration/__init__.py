"""The mathematics of calibration: pure functions over SI arrays, no web, no database, no clock."""
