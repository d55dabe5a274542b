"""Training's tests need the packages of the `train` extra."""

import importlib.util

collect_ignore_glob = [] if importlib.util.find_spec("torch") else ["test_*.py"]
