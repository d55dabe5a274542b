"""The renderer's tests need torch, which the `train` extra brings."""

import importlib.util

collect_ignore_glob = [] if importlib.util.find_spec("torch") else ["*.py"]

if not collect_ignore_glob:
    import torch

    torch.set_num_threads(1)  # these pictures are tiny; threads would only wait for each other
