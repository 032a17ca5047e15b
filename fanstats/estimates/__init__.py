"""From readings to estimates: curves, operating points, draws by label."""
