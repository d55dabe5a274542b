"""What one picture can show: blur, noise, clipping, the smallest deposit, and whether to reshoot.

The detection limit follows Rose's criterion: a disc is seen when its signal, integrated over the
area over which the blur spreads it, is k = 5 times the noise of that area. The signal is that of
dirt just dark enough to count as dark: 70 % of its ground, the dark threshold of the VDA 19.1 image
settings. No limit is below two sigma of the blur, where a disc keeps 39 % of its contrast.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.surfaces import SURFACES, Surface
from .blur import rim_sigma_px, sharpest_sigma_px
from .pieces import connected_pieces
from .segment import Segmentation

__all__ = [
    "LIMIT_CONTRAST",
    "Quality",
    "front_box_px",
    "measure_quality",
    "noise_sigma_dn",
    "rose_diameter_px",
]

Luminance = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

ROSE_K = 5.0
LIMIT_CONTRAST = 0.3  # of the ground: dirt at 70 % of it, for which the detection limit is stated
QUANTISATION_DN = 12**-0.5  # the noise of rounding to whole values
LEAST_SIDE_PX = 64
BLACK_DN, WHITE_DN = 8, 247  # 99 % of the pixels beyond: all black, all white
EVEN_DN = 6.0  # range of the middle 98 % that counts as one even tone
NOISE_STRUCTURE = 0.2  # share of the variance that 8 x 8 means keep: 1/64 for noise, near 1 else
UNLIKE = 0.5
LEAST_FRONT_PX = 60.0  # diameter of the ferrule's front
WHOLE_SHARE = 0.8  # of the ferrule in one piece
SOLID_SHARE = 0.85  # of the front's convex hull that is front
OVAL_SHARE = 0.85  # overlap over union with the ellipse of its moments; a rectangle has 0.83
CLIPPED_SHARE = 0.5
BLUR_SHARE = 0.012  # sigma over the diameter of the ferrule's front: 30 um on a 2.5 mm ferrule
FRONT = (Surface.CHAMFER, Surface.ENDFACE, Surface.FIBER)
FERRULE = np.array([row.on_ferrule for row in SURFACES])


@dataclass(frozen=True)
class Quality:
    """One picture's fitness.

    `blur_sigma_px`: of a Gaussian as blurred as the ferrule's rim, None where no edge tells.
    `noise_dn`: standard deviation on the ferrule, of 255. `contrast_dn`: by what dark dirt differs
    from its ground. `detection_limit_px`: diameter of the smallest disc of it that is seen.
    `clipped_share`: share of the ferrule's pixels at the end of the range in all colours. A picture
    that is not `readable` is no evidence; `why_not` says why and what to do.
    """

    blur_sigma_px: float | None
    noise_dn: float
    contrast_dn: float | None
    detection_limit_px: float | None
    clipped_share: float | None
    readable: bool
    why_not: str | None

    def detection_limit_um(self, um_per_px: float) -> float | None:
        """The detection limit at the fibre, um."""
        return None if self.detection_limit_px is None else self.detection_limit_px * um_per_px


def measure_quality(rgb: npt.NDArray[np.uint8], segmentation: Segmentation) -> Quality:
    """The quality of a picture, uint8 [H, W, 3] RGB, given what the net sees in it."""
    luminance = _luminance(rgb)
    ferrule = FERRULE[segmentation.surface]
    if (why_not := _nothing_to_see(rgb, luminance)) is not None:
        return Quality(None, noise_sigma_dn(luminance), None, None, None, False, why_not)
    clear = _eroded(ferrule & (segmentation.kind == 0), 3)
    noise = noise_sigma_dn(luminance, clear if clear.any() else None)
    if (why_not := _no_connector(segmentation, ferrule)) is not None:
        blur = sharpest_sigma_px(luminance, noise)
        if blur is None or blur > BLUR_SHARE * min(luminance.shape):
            why_not = "no sharp edge anywhere, out of focus or no connector; focus and retake"
        return Quality(blur, noise, None, None, None, False, why_not)
    front = np.isin(segmentation.surface, FRONT)
    dome, across = np.isin(segmentation.surface, FRONT[1:]), _across_px(segmentation.surface)
    blur = rim_sigma_px(luminance, (ferrule, front, dome), noise)
    if blur is None:  # perhaps too blurred for the rim to be followed; a sharp picture stays None
        rough = sharpest_sigma_px(luminance, noise)
        blur = rough if rough is not None and rough > BLUR_SHARE * across else None
    clipped = float(_clipped(rgb)[ferrule].mean())
    contrast = LIMIT_CONTRAST * float(np.median(luminance[clear if clear.any() else ferrule]))
    limit = None
    if blur is not None and contrast > 0:
        least = max(2 * blur, float(np.sqrt(4 * segmentation.min_px / np.pi)))
        limit = max(rose_diameter_px(contrast, noise, blur), least)
    why_not = _unfit(clipped, blur, limit, across)
    return Quality(blur, noise, contrast, limit, clipped, why_not is None, why_not)


def noise_sigma_dn(luminance: Luminance, where: Mask | None = None) -> float:
    """The noise's standard deviation, DN, by a robust high pass; at least that of rounding.

    The 3 x 3 mask [1 -2 1; -2 4 -2; 1 -2 1] / 6 leaves nothing of planes and little of edges and
    keeps the standard deviation of white noise; the median absolute deviation ignores the rest.
    """
    import cv2

    cv: Any = cv2
    kernel = np.outer([1, -2, 1], [1, -2, 1]).astype(np.float32) / 6
    rough = cv.filter2D(luminance, cv.CV_32F, kernel)
    rough = rough if where is None else rough[where]
    return max(float(np.median(np.abs(rough))) / 0.67449, QUANTISATION_DN)


def rose_diameter_px(contrast_dn: float, noise_dn: float, blur_sigma_px: float) -> float:
    """The diameter in px of the smallest disc that meets Rose's criterion.

    A disc of area A and contrast C blurred by sigma has its signal C A in an area of about
    A + 4 pi sigma^2 (exact for large discs and for points), whose noise is noise * sqrt(area).
    """
    q = (ROSE_K * noise_dn / contrast_dn) ** 2
    spread = 4 * np.pi * blur_sigma_px**2
    area = 0.5 * (q + np.sqrt(q * q + 4 * q * spread))
    return float(np.sqrt(4 * area / np.pi))


def _nothing_to_see(rgb: npt.NDArray[np.uint8], luminance: Luminance) -> str | None:
    """Why a picture shows nothing at all, whatever the net says; None if it may show something."""
    height, width = luminance.shape
    if min(height, width) < LEAST_SIDE_PX:
        return f"only {width} x {height} px; take a picture of at least 640 x 480"
    dark, bright = (float(v) for v in np.quantile(luminance.ravel()[::7], (0.01, 0.99)))
    if bright <= BLACK_DN:
        return f"all black (99 % at or below {bright:.0f} of 255); give it light and retake"
    if dark >= WHITE_DN:
        return f"all white (99 % at or above {dark:.0f} of 255); expose less and retake"
    if bright - dark < EVEN_DN:
        return f"one even tone ({dark:.0f} to {bright:.0f} of 255); aim at the connector and retake"
    blocks = luminance[: height // 8 * 8, : width // 8 * 8]
    means = blocks.reshape(height // 8, 8, width // 8, 8).mean(axis=(1, 3))
    if float(means.var()) < NOISE_STRUCTURE * float(blocks.var()):
        return "nothing but noise or a fine pattern; check the camera and retake"
    return None


def _no_connector(segmentation: Segmentation, ferrule: Mask) -> str | None:
    """Why the picture is not one of a single-fibre plug; None if it looks like one."""
    retake = "aim at a single-fibre plug and retake"
    if segmentation.unlike > UNLIKE:
        return (
            f"no connector of a known kind (the net gives it {segmentation.unlike:.0%}); {retake}"
        )
    front = np.isin(segmentation.surface, FRONT)
    across = _across_px(segmentation.surface)
    if across == 0:
        return f"no ferrule in the picture; {retake}"
    if across < LEAST_FRONT_PX:
        return f"the ferrule is only {across:.0f} px across; go closer and retake"
    if not (segmentation.surface == Surface.ENDFACE).any():
        return f"no endface in the picture; {retake}"
    whole = connected_pieces(ferrule).area[1:].max() / np.count_nonzero(ferrule)
    if whole < WHOLE_SHARE:
        return f"what looks like a ferrule lies in pieces ({whole:.0%} in the largest); {retake}"
    solid = _solidity(front)
    if solid < SOLID_SHARE:
        return f"what looks like an endface is not round (solidity {solid:.2f}); {retake}"
    oval = _ovalness(front)
    if oval is not None and oval < OVAL_SHARE:
        return f"what looks like an endface is not round ({oval:.2f} of an ellipse); {retake}"
    return None


def _unfit(clipped: float, blur: float | None, limit: float | None, across_px: float) -> str | None:
    """Why a connector's picture cannot be judged; None if it can."""
    if clipped > CLIPPED_SHARE:
        return f"{clipped:.0%} of the ferrule is burnt out or black; change the exposure and retake"
    if blur is None or limit is None:
        return "no edge of the ferrule is clear enough to measure the focus; light it and retake"
    if blur > BLUR_SHARE * across_px:
        return f"out of focus (blur of sigma {blur:.1f} px); focus on the endface and retake"
    if limit > 4 * BLUR_SHARE * across_px:
        return f"too noisy or dim: nothing under {limit:.0f} px would be seen; add light and retake"
    return None


def _clipped(rgb: npt.NDArray[np.uint8]) -> Mask:
    """Pixels at the same end of the range in all three colours."""
    red, green, blue = (rgb[..., k] for k in range(3))  # ten times as fast as along the last axis
    least = np.minimum(np.minimum(red, green), blue)
    most = np.maximum(np.maximum(red, green), blue)
    return (least >= 254) | (most <= 1)


def _luminance(rgb: npt.NDArray[np.uint8]) -> Luminance:
    """The mean of the three colours; sums of bytes are exact in float32."""
    total = rgb[..., 0].astype(np.float32)
    total += rgb[..., 1]
    total += rgb[..., 2]
    return total / np.float32(3)


def _eroded(mask: Mask, reach_px: int) -> Mask:
    import cv2

    cv: Any = cv2
    square = np.ones((2 * reach_px + 1, 2 * reach_px + 1), np.uint8)
    return cv.erode(mask.view(np.uint8), square) > 0


def front_box_px(surface: npt.NDArray[np.uint8]) -> tuple[int, int, int, int] | None:
    """Left, top, width and height of the ferrule's front in surface indices [H, W]; None without.

    Of pieces the largest counts.
    """
    pieces = connected_pieces(np.isin(surface, FRONT))
    if pieces.area.size < 2:
        return None
    left, top, width, height = pieces.box[1 + int(pieces.area[1:].argmax())].tolist()
    return left, top, width, height


def _across_px(surface: npt.NDArray[np.uint8]) -> float:
    """The ferrule's diameter in the picture, px: the longer side of its front's bounding box."""
    box = front_box_px(surface)
    return 0.0 if box is None else float(max(box[2:]))


def _solidity(front: Mask) -> float:
    """Area of the front's largest piece, holes filled, over that of its convex hull."""
    import cv2

    cv: Any = cv2
    contours: Any = cv.findContours(front.view(np.uint8), cv.RETR_EXTERNAL, cv.CHAIN_APPROX_NONE)[0]
    largest = max((c.reshape(-1, 1, 2) for c in contours), key=cv.contourArea)
    hull = cv.contourArea(cv.convexHull(largest))
    return float(cv.contourArea(largest)) / hull if hull > 0 else 0.0


def _ovalness(front: Mask) -> float | None:
    """Overlap over union of the front's largest piece with the ellipse of equal second moments.

    1 for the image of a disc; None where the picture's border cuts the piece.
    """
    pieces = connected_pieces(front)
    largest = 1 + int(pieces.area[1:].argmax())
    x, y, w, h = (int(v) for v in pieces.box[largest])
    if x == 0 or y == 0 or x + w == front.shape[1] or y + h == front.shape[0]:
        return None
    around = np.s_[max(0, y - h) : y + 2 * h, max(0, x - w) : x + 2 * w]
    mine = pieces.labels[around] == largest
    import cv2

    cv: Any = cv2
    m: dict[str, float] = cv.moments(mine.view(np.uint8), binaryImage=True)
    covariance = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / (m["m00"] - 1)
    inverse = np.linalg.inv(covariance + np.eye(2) / 12)  # a pixel's own extent
    dx = np.arange(mine.shape[1], dtype=np.float64)[None, :] - m["m10"] / m["m00"]
    dy = np.arange(mine.shape[0], dtype=np.float64)[:, None] - m["m01"] / m["m00"]
    away = inverse[0, 0] * dx * dx + 2 * inverse[0, 1] * dx * dy + inverse[1, 1] * dy * dy
    ellipse = away <= 4.0
    return float(np.count_nonzero(mine & ellipse) / np.count_nonzero(mine | ellipse))
