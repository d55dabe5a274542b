"""Training's tests need the packages of the `train` extra."""

import importlib.util

collect_ignore_glob = [] if importlib.util.find_spec("torch") else ["test_*.py"]

if not collect_ignore_glob:
    import torch

    torch.set_num_threads(1)  # these nets are tiny; threads would only wait for each other
