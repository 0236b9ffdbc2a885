"""The service: calibration mathematics and profile sync over HTTP."""
