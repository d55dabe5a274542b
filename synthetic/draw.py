"""Random draws for a batch of scenes: one seed, one stream, the same numbers on every device."""

import math
from collections.abc import Sequence

import torch
from torch import Tensor

__all__ = ["Draw"]


POOL = 1 << 16  # numbers moved to the device at a time: a copy for each draw would cost more


def stream_of(seed: int) -> int:
    """The seed in 32 bits: itself if it fits, else mixed from all of its 64.

    PyTorch's CPU generator reads the low 32 bits alone, so that large seeds a multiple of 2**32
    apart would give one stream. Mixed by the finaliser of SplitMix64 (Steele, Lea and Flood,
    OOPSLA 2014).
    """
    if 0 <= seed < 1 << 32:
        return seed
    z = seed % (1 << 64)
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9 % (1 << 64)
    z = (z ^ (z >> 27)) * 0x94D049BB133111EB % (1 << 64)
    return (z ^ (z >> 31)) % (1 << 32)


class Draw:
    """A seeded stream of random tensors.

    Everything is drawn on the CPU and then moved, so a seed gives the same scene on CPU and GPU;
    only the sensor's noise is drawn on the device itself (`noise`).

    With `copies` above 1 the first axis of every draw holds that many copies of the same rows, one
    after the other: several views of one connector then meet the same numbers.
    """

    def __init__(self, seed: int, device: torch.device, copies: int = 1) -> None:
        """Begin the stream of `seed`."""
        self.device = device
        self._copies = copies
        stream = stream_of(seed)
        self._cpu = torch.Generator().manual_seed(stream)
        self._own = torch.Generator(device=device).manual_seed(stream)
        self._pools: dict[str, Tensor] = {}

    def _take(self, name: str, shape: tuple[int, ...]) -> Tensor:
        """The next numbers of a pool, refilled when it runs short."""
        own = self._own_rows(shape)
        count = math.prod(own)
        pool = self._pools.get(name)
        if pool is None or pool.shape[0] < count:
            fill = torch.rand if name == "unit" else torch.randn
            pool = fill(max(POOL, count), generator=self._cpu).to(self.device)
        self._pools[name] = pool[count:]
        return self._copied(pool[:count].view(own))

    def _own_rows(self, shape: tuple[int, ...]) -> tuple[int, ...]:
        """The shape to draw so that its copies fill `shape`."""
        if self._copies == 1:
            return shape
        if not shape or shape[0] % self._copies:
            raise ValueError(f"expected a first axis of {self._copies} copies, got shape {shape}")
        return (shape[0] // self._copies, *shape[1:])

    def _copied(self, values: Tensor) -> Tensor:
        """`values` once per copy, along the first axis."""
        if self._copies == 1:
            return values
        return values.repeat(self._copies, *[1] * (values.dim() - 1))

    def unit(self, *shape: int) -> Tensor:
        """Uniform in [0, 1), float32."""
        return self._take("unit", shape)

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Uniform in [low, high), float32."""
        return low + (high - low) * self.unit(*shape)

    def log_uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Uniform in the logarithm, in [low, high), float32."""
        return low * (high / low) ** self.unit(*shape)

    def normal(self, *shape: int) -> Tensor:
        """Standard normal, float32."""
        return self._take("normal", shape)

    def chance(self, probability: float, *shape: int) -> Tensor:
        """True with the given probability, bool."""
        return self.unit(*shape) < probability

    def pick(self, weights: Sequence[float], *shape: int) -> Tensor:
        """Index drawn by `weights` (need not sum to one), int64."""
        edges = torch.tensor(weights, dtype=torch.float64).cumsum(0)
        edges = (edges / edges[-1]).float().to(self.device)
        return torch.searchsorted(edges, self.unit(*shape), right=True).clamp_(max=len(weights) - 1)

    def one_of(self, rows: Sequence[Sequence[float]], *shape: int) -> Tensor:
        """One of `rows`, each equally likely: shape + (len(row),)."""
        table = torch.tensor(rows, device=self.device, dtype=torch.float32)
        return table[self.pick([1.0] * len(rows), *shape)]

    def direction(self, *shape: int) -> Tensor:
        """Unit vectors, uniform on the sphere: shape + (3,)."""
        v = self.normal(*shape, 3)
        return v / v.norm(dim=-1, keepdim=True).clamp_min(1e-6)

    def noise(self, *shape: int) -> Tensor:
        """Standard normal on the device, float32: reproducible on one kind of device only."""
        own = self._own_rows(shape)
        return self._copied(torch.randn(own, generator=self._own, device=self.device))

    def noise_unit(self, *shape: int) -> Tensor:
        """Uniform in [0, 1) on the device, float32: reproducible on one kind of device only."""
        own = self._own_rows(shape)
        return self._copied(torch.rand(own, generator=self._own, device=self.device))
