"""What repeats and further units teach: variance components, a unit against model or rating."""
