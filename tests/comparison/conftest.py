import sys
from pathlib import Path

# The suite imports test files one by one; this lets them share the nights beside them.
sys.path.insert(0, str(Path(__file__).parent))
