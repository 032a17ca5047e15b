"""Long studies: calibration and speed. Run from the top: ``python -m benchmarks.speed``."""
