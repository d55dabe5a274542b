"""From light to a camera's picture: blur by depth in two layers, exposure, sensor, compression."""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from .draw import Draw
from .scene import Cameras
from .trace import spread

__all__ = ["Exposure", "compress", "defocus", "draw_exposure", "expose", "sense"]

SIGMAS = (0.0, 0.8, 1.6, 3.2, 6.4, 12.8)  # px; a pixel's blur is mixed from the two nearest


def gaussian(picture: Tensor, sigma: float) -> Tensor:
    """Gaussian blur of [N, C, H, W]; broad blurs work on a reduced picture."""
    if sigma <= 0:
        return picture
    factor = 1
    while sigma / factor > 2.0:
        factor *= 2
    small = F.avg_pool2d(picture, factor, ceil_mode=True) if factor > 1 else picture
    own = max(sigma**2 - (factor**2 - 1) / 12.0, 0.25) ** 0.5 / factor
    reach = max(1, int(3 * own + 0.5))
    x = torch.arange(-reach, reach + 1, device=picture.device, dtype=torch.float32)
    kernel = torch.exp(-(x**2) / (2 * own**2))
    kernel = kernel / kernel.sum()
    c = picture.shape[1]
    small = F.conv2d(
        F.pad(small, (reach, reach, 0, 0), mode="replicate"),
        kernel.view(1, 1, 1, -1).expand(c, 1, 1, -1),
        groups=c,
    )
    small = F.conv2d(
        F.pad(small, (0, 0, reach, reach), mode="replicate"),
        kernel.view(1, 1, -1, 1).expand(c, 1, -1, 1),
        groups=c,
    )
    if factor == 1:
        return small
    return F.interpolate(small, size=picture.shape[2:], mode="bilinear", align_corners=False)


def blur_sigma(cameras: Cameras, depth: Tensor) -> Tensor:
    """Sigma of the blur, px, at each pixel's depth [N, H, W] (mm beyond the fibre)."""
    gap = (depth - spread(cameras.focus_mm)).abs()
    focused = spread(cameras.depth + cameras.focus_mm)
    out = (
        spread(cameras.blur_px_per_mm)
        * gap
        * focused
        / (spread(cameras.depth) + depth).clamp_min(1.0)
    )
    return torch.sqrt(out**2 + spread(cameras.blur_px) ** 2).clamp(max=SIGMAS[-1])


def mix_levels(levels: list[Tensor], sigma: Tensor) -> Tensor:
    """Pick per pixel from a stack blurred by SIGMAS, linear in sigma: [N, C, H, W]."""
    out = levels[0]
    for i in range(1, len(SIGMAS)):
        t = ((sigma - SIGMAS[i - 1]) / (SIGMAS[i] - SIGMAS[i - 1])).clamp(0, 1)[:, None]
        out = torch.lerp(out, levels[i], t)
    return out


def defocus(cameras: Cameras, light: Tensor, depth: Tensor, near: Tensor) -> tuple[Tensor, Tensor]:
    """Blur the ferrule's layer and the rest apart, so neither bleeds into the other when sharp.

    `light` [N, H, W, 3], `depth` and `near` [N, H, W]; returns light [N, 3, H, W] and sigma [N, H,
    W].
    """
    sigma = blur_sigma(cameras, depth)
    mask = near[:, None].float()
    picture = light.permute(0, 3, 1, 2)
    stack = torch.cat(
        [
            picture * mask,
            mask,
            sigma[:, None] * mask,
            picture * (1 - mask),
            sigma[:, None] * (1 - mask),
        ],
        1,
    )
    levels = [gaussian(stack, s) for s in SIGMAS]
    far_weight = [(1 - level[:, 3:4]).clamp_min(1e-3) for level in levels]
    # The near layer's sigma beyond its own edge, and the far layer's behind it, come from a broad
    # blur.
    near_sigma = torch.where(near, sigma, levels[4][:, 4] / levels[4][:, 3].clamp_min(1e-3))
    far_sigma = torch.where(near, levels[4][:, 8] / far_weight[4][:, 0], sigma)
    front = mix_levels([level[:, :4] for level in levels], near_sigma.clamp(max=SIGMAS[-1]))
    back = mix_levels(
        [level[:, 5:8] / w for level, w in zip(levels, far_weight, strict=True)],
        far_sigma.clamp(max=SIGMAS[-1]),
    )
    cover = front[:, 3:4].clamp(0, 1)
    return front[:, :3] + back * (1 - cover), sigma


@dataclass(frozen=True)
class Exposure:
    """How the camera turns light into numbers, each [N] unless stated."""

    target: Tensor  # mean of the ferrule after exposure
    gamma: Tensor
    balance: Tensor  # [N, 3]
    vignette: Tensor
    mono: Tensor  # bool
    read_noise: Tensor  # of full scale
    shot_noise: Tensor
    grain: Tensor  # multiplies the parts' own grain
    smear: Tensor  # share of blurred noise
    veil: Tensor  # stray light


def draw_exposure(draw: Draw, n: int) -> Exposure:
    """Exposures from dark to clipped, colour and monochrome, clean to noisy."""
    noisy = draw.chance(0.35, n)
    return Exposure(
        torch.where(
            draw.chance(0.78, n), draw.uniform(0.42, 0.97, n), draw.log_uniform(0.12, 0.42, n)
        ),
        torch.where(draw.chance(0.6, n), draw.uniform(0.42, 0.6, n), draw.uniform(0.8, 1.0, n)),
        (1 + 0.06 * draw.normal(n, 3)).clamp(0.8, 1.25),
        torch.where(draw.chance(0.35, n), draw.uniform(0.1, 0.75, n), 0.0),
        draw.chance(0.3, n), draw.log_uniform(0.001, 0.008, n),
        torch.where(noisy, draw.log_uniform(0.01, 0.05, n), draw.log_uniform(0.001, 0.01, n)),
        draw.log_uniform(0.2, 1.6, n), draw.unit(n),
        torch.where(draw.chance(0.2, n), draw.uniform(0.0, 0.08, n), 0.0),
    )  # fmt: skip


def expose(exposure: Exposure, light: Tensor, weight: Tensor) -> tuple[Tensor, Tensor]:
    """Scale light [N, 3, H, W] so that pixels of `weight` [N, H, W] average to the target.

    The average is of square roots, so that a small highlight does not leave the rest in the dark.
    Returns the scaled linear light and the gain [N].
    """
    high, wide = light.shape[2:]
    root = light.mean(1).clamp_min(0).sqrt()
    mean = ((root * weight).sum((1, 2)) / weight.sum((1, 2)).clamp_min(1)) ** 2
    gain = exposure.target ** (1 / exposure.gamma) / mean.clamp_min(1e-4)
    y = torch.linspace(-1, 1, high, device=light.device)[:, None]
    x = torch.linspace(-1, 1, wide, device=light.device)[None]
    fall = 1 - spread(exposure.vignette) * ((x * x + y * y) / 2)[None]
    out = light * (gain[:, None] * exposure.balance)[..., None, None] * fall[:, None]
    out = out + exposure.veil[:, None, None, None]
    grey = out.mean(1, keepdim=True).expand_as(out)
    return torch.where(exposure.mono[:, None, None, None], grey, out), gain


def tone(exposure: Exposure, light: Tensor) -> Tensor:
    """Linear light to display values in [0, 1]."""
    return light.clamp(1e-5, 1.0) ** exposure.gamma[:, None, None, None]


def noise_sd(exposure: Exposure, light: Tensor, grain: Tensor) -> Tensor:
    """Standard deviation of the noise in linear light [N, 1, H, W]; `grain` [N, H, W]: per part."""
    level = light.mean(1, keepdim=True).clamp(0, 1.2)
    variance = (
        exposure.read_noise[:, None, None, None] ** 2
        + exposure.shot_noise[:, None, None, None] ** 2 * level
        + (exposure.grain[:, None, None, None] * grain[:, None] * level) ** 2
    )
    return variance.sqrt()


def sense(draw: Draw, exposure: Exposure, light: Tensor, sd: Tensor) -> Tensor:
    """Add noise and bring light to display values [N, 3, H, W] in [0, 1]."""
    n, _, high, wide = light.shape
    white = (
        draw.noise(n, 1, high, wide) * 0.85
        + draw.noise(n, 3, high, wide) * (~exposure.mono)[:, None, None, None] * 0.5
    )
    soft = F.avg_pool2d(F.pad(white, (1, 1, 1, 1), mode="replicate"), 3, 1) * 2.2
    noise = torch.lerp(white, soft, exposure.smear[:, None, None, None] * 0.8)
    noise = torch.where(exposure.mono[:, None, None, None], noise[:, :1], noise)
    return tone(exposure, light + noise * sd)


def cosine_matrix(device: torch.device) -> Tensor:
    """The 8-point DCT-II, orthonormal."""
    k = torch.arange(8, device=device, dtype=torch.float32)
    m = torch.cos((k[None] + 0.5) * k[:, None] * torch.pi / 8) * 0.5
    m[0] *= 2**-0.5
    return m


def compress(draw: Draw, picture: Tensor) -> Tensor:
    """Block-transform compression of random strength (none for a third): [N, 3, H, W] in [0, 1]."""
    n, c, high, wide = picture.shape
    strength = torch.where(draw.chance(0.65, n), draw.log_uniform(0.002, 0.05, n), 1e-5)
    m = cosine_matrix(picture.device)
    grown = F.pad(picture, (0, -wide % 8, 0, -high % 8), mode="replicate")
    h8, w8 = grown.shape[2] // 8, grown.shape[3] // 8
    blocks = grown.view(n, c, h8, 8, w8, 8).permute(0, 1, 2, 4, 3, 5)
    coefficients = m @ blocks @ m.T
    k = torch.arange(8, device=picture.device, dtype=torch.float32)
    step = strength[:, None, None] * (1 + 0.6 * (k[:, None] + k[None]))
    step = step[:, None, None, None]
    blocks = m.T @ (torch.round(coefficients / step) * step) @ m
    return (
        blocks.permute(0, 1, 2, 4, 3, 5)
        .reshape(n, c, h8 * 8, w8 * 8)[:, :, :high, :wide]
        .clamp(0, 1)
    )
