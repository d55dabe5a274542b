"""What stands in front of the camera, drawn at random: connector, camera, materials, lights.

Lengths are millimetres inside `synthetic` (float32 keeps 1e-6 mm that way); truth leaves in um.
All tensors are float32 with the batch first; N is the number of scenes.
"""

from dataclasses import dataclass

import torch
from torch import Tensor

from .draw import Draw

__all__ = ["Cameras", "Connectors", "Lights", "Materials", "Part", "Scene", "draw_scene"]


class Part:
    """What a ray can hit. Parts are finer than surfaces: each has its own material."""

    SURROUND, HOUSING, WALL, BARREL, CHAMFER, ENDFACE, FIBER, BODY, FLOOR = range(9)
    COUNT = 9


HOUSING_PARTS = (Part.HOUSING, Part.WALL, Part.BODY, Part.FLOOR)


@dataclass(frozen=True)
class Connectors:
    """Dimensions, mm, each [N] unless stated. The fibre's centre is the origin, +z points out."""

    ferrule_radius: Tensor
    dome_radius: Tensor
    edge_radius: Tensor  # where endface and chamfer meet
    chamfer_depth: Tensor  # along the axis
    dome_axis: Tensor  # [N, 3]; (0, 0, 1) for PC, tilted 8 deg for APC
    apc_deg: Tensor
    barrel_length: Tensor
    cavity_half: Tensor  # [N, 2] half width and half height of the cavity
    cavity_corner: Tensor  # corner radius
    cavity_depth: Tensor  # floor to front rim
    outer_half: Tensor  # [N, 2] of the housing's front
    outer_corner: Tensor
    body_half: Tensor  # [N, 2] of the body behind the front
    body_drop: Tensor  # how far the body lies behind the front
    key_rad: Tensor  # turn of the housing about the axis
    lip: Tensor  # width of the rounding at the cavity's mouth
    shoulder: Tensor  # of the rounding at the outer edges of housing and body
    fillet: Tensor  # of the rounding where the cavity's floor meets its wall
    swing: Tensor  # tangent of the largest tilt of these roundings' normals

    @property
    def chamfer_z(self) -> Tensor:
        """z where chamfer and barrel meet."""
        sag = self.edge_radius**2 / (2 * self.dome_radius)
        return -(sag + self.chamfer_depth)

    @property
    def floor_z(self) -> Tensor:
        """z of the cavity's floor."""
        return self.chamfer_z - self.barrel_length

    @property
    def rim_z(self) -> Tensor:
        """z of the housing's front."""
        return self.floor_z + self.cavity_depth


@dataclass(frozen=True)
class Cameras:
    """Pinhole cameras, each [N]; angles in radians, lengths in mm."""

    tilt: Tensor
    turn: Tensor
    roll: Tensor
    mm_per_px: Tensor  # at the fibre's depth
    fiber_px: Tensor  # [N, 2] in the picture's own pixels
    centre_px: Tensor  # [N, 2] principal point (off the picture's centre when it is a crop)
    depth: Tensor  # of the fibre along the optical axis
    focus_mm: Tensor  # focused depth minus the fibre's depth
    blur_px_per_mm: Tensor  # Gaussian sigma per mm out of focus
    blur_px: Tensor  # sigma in focus
    size_hw: tuple[int, int]


@dataclass(frozen=True)
class Materials:
    """Per part; P parts in the order of `Part`."""

    albedo: Tensor  # [N, P, 3], linear; the surround's is its radiance
    gloss: Tensor  # [N, P] reflectance at normal incidence, 0..1
    roughness: Tensor  # [N, P] 0 = mirror; widens the lights' reflections, radians
    texture: Tensor  # [N, P] relative amplitude of marks in the albedo
    grain: Tensor  # [N, P] relative sd of fine speckle, added with the sensor's noise
    texture_scale: Tensor  # [N, P, 2] cycles per mm along s and across
    core_glow: Tensor  # [N]
    plain_table: Tensor  # [N] bool: the surround is of one even tone, noise and pool apart
    lit_table: Tensor  # [N] bool: the surround's albedo is lit as an open surface facing up is
    pool: Tensor  # [N, 4] light on the surround: centre and radius, half frame widths; rise, -1..3


@dataclass(frozen=True)
class Lights:
    """Area lights, a ring round the lens, a coaxial beam, and a dome: all in the world's axes."""

    direction: Tensor  # [N, L, 3] towards the light, from the fibre
    distance: Tensor  # [N, L] of the light from the fibre, mm
    spread: Tensor  # [N, L] angular radius, radians
    power: Tensor  # [N, L]
    ring_power: Tensor  # [N]
    ring_angle: Tensor  # [N] radians from the view axis
    ring_width: Tensor
    ring_distance: Tensor  # of ring and beam from the fibre, mm
    coaxial_power: Tensor
    coaxial_angle: Tensor
    sky: Tensor  # [N] dome above
    ground: Tensor  # [N] dome below and behind the camera
    tint: Tensor  # [N, 3]


@dataclass(frozen=True)
class Scene:
    """One batch of scenes."""

    connectors: Connectors
    cameras: Cameras
    materials: Materials
    lights: Lights


def draw_scene(draw: Draw, count: int, size_hw: tuple[int, int], crop: bool) -> Scene:
    """Draw `count` scenes for pictures of `size_hw`.

    With `crop` the picture is a window cut from a larger frame, at that frame's scale, so that a
    net meets native-scale detail in small pictures.
    """
    connectors = draw_connectors(draw, count)
    cameras = draw_cameras(draw, connectors, size_hw, crop)
    return Scene(connectors, cameras, draw_materials(draw, count), draw_lights(draw, cameras))


def draw_connectors(draw: Draw, n: int) -> Connectors:
    """Ferrules of 2.499 and 1.249 mm with the spread of end geometry that facts and shops show."""
    radius = torch.where(draw.chance(0.5, n), 1.2495, 0.6245)
    dome = draw.uniform(5.0, 28.0, n)
    edge = radius * draw.uniform(0.56, 0.92, n)
    slope = torch.tan(torch.deg2rad(draw.uniform(20.0, 58.0, n)))
    apc = draw.chance(0.15, n)
    lean, toward = torch.deg2rad(torch.where(apc, 8.0, 0.0)), draw.uniform(0, 6.2832, n)
    axis = torch.stack([lean.sin() * toward.cos(), lean.sin() * toward.sin(), lean.cos()], dim=-1)
    depth = draw.uniform(0.9, 6.0, n)
    barrel = (depth + draw.uniform(0.3, 4.2, n)).clamp(min=1.5)
    gap = draw.log_uniform(0.55, 2.6, n)
    square = draw.chance(0.5, n)
    half = (radius + gap)[:, None] * torch.stack(
        [torch.ones_like(gap), draw.uniform(0.85, 1.2, n)], -1
    )
    half = torch.where(square[:, None], half, half[:, :1])
    corner = half.min(-1).values * torch.where(square, draw.uniform(0.08, 0.6, n), 1.0)
    wall = draw.log_uniform(0.35, 2.2, n)[:, None] * torch.stack(
        [torch.ones_like(gap), draw.uniform(0.7, 1.4, n)], -1
    )
    outer = half + wall
    round_outside = draw.chance(0.35, n)
    outer = torch.where(round_outside[:, None], outer.max(-1, keepdim=True).values, outer)
    outer_corner = outer.min(-1).values * torch.where(
        round_outside, 1.0, draw.uniform(0.05, 0.5, n)
    )
    body = outer + torch.where(draw.chance(0.35, n), draw.uniform(0.3, 2.5, n), 0.0)[:, None]
    edge_width = wall.min(-1).values
    fillet = torch.where(draw.chance(0.5, n), draw.log_uniform(0.05, 0.6, n), 0.0) * gap
    return Connectors(
        radius, dome, edge, (radius - edge) * slope, axis, torch.rad2deg(lean), barrel,
        half, corner,
        depth, outer, outer_corner, body, draw.uniform(0.2, 2.5, n),
        draw.uniform(0, 6.2832, n), edge_width * draw.log_uniform(0.02, 0.5, n),
        edge_width * draw.log_uniform(0.02, 0.5, n), fillet, draw.log_uniform(0.5, 5.0, n),
    )  # fmt: skip


def draw_cameras(
    draw: Draw, connectors: Connectors, size_hw: tuple[int, int], crop: bool
) -> Cameras:
    """Front and oblique views from close to far, well framed in the main, sharp to hopeless."""
    n, (high, wide) = connectors.ferrule_radius.shape[0], size_hw
    front = draw.chance(0.42, n)
    tilt = torch.where(front, draw.uniform(0, 6.0, n), draw.uniform(24.0, 66.0, n))
    tilt = torch.where(draw.chance(0.06, n), draw.uniform(6.0, 75.0, n), tilt)
    frame_high = high * (draw.uniform(1.1, 1.9, n) if crop else torch.ones(n, device=draw.device))
    share = draw.log_uniform(0.30, 0.92, n)
    mm_per_px = 2 * connectors.ferrule_radius / (share * frame_high)
    centre = torch.tensor([wide / 2, high / 2], device=draw.device).repeat(n, 1)
    loose = draw.normal(n, 2) * 0.05 * frame_high[:, None]
    lift = torch.stack([torch.zeros_like(tilt), torch.where(front, 0.0, -0.06) * frame_high], -1)
    fiber = centre + loose + lift
    if crop:
        reach = 0.75 * connectors.ferrule_radius / mm_per_px
        off = draw.uniform(-1, 1, n, 2) * reach[:, None]
        off[:, 1] -= torch.where(front, 0.0, 0.6) * reach * draw.unit(n)
        # A crop moves the fibre and the principal point together.
        fiber, centre = fiber + off, centre + off
    blur = draw.log_uniform(0.25, 5.0, n) * (0.0035 / mm_per_px).clamp(0.4, 2.5)
    hopeless = draw.chance(0.04, n)
    focus = draw.normal(n) * 0.35 + torch.where(front, 0.0, draw.uniform(-0.2, 1.2, n))
    focus = torch.where(hopeless, draw.uniform(3.0, 9.0, n), focus)
    return Cameras(
        torch.deg2rad(tilt), draw.uniform(0, 6.2832, n), draw.normal(n) * 0.03, mm_per_px,
        fiber, centre,
        draw.log_uniform(12.0, 150.0, n), focus, blur, draw.log_uniform(0.35, 1.6, n), size_hw,
    )  # fmt: skip


# Housing colours after TIA-598 practice (blue, green, beige, aqua, violet, lime) and plain
# plastics.
PLASTICS = (
    (0.02, 0.07, 0.30), (0.02, 0.22, 0.08), (0.55, 0.45, 0.32), (0.05, 0.42, 0.42),
    (0.30, 0.10, 0.40),
    (0.45, 0.65, 0.12), (0.02, 0.02, 0.02), (0.10, 0.10, 0.11), (0.30, 0.30, 0.30),
    (0.75, 0.75, 0.73),
    (0.50, 0.08, 0.06), (0.80, 0.78, 0.70), (0.03, 0.03, 0.04), (0.65, 0.63, 0.60),
)  # fmt: skip
ZIRCONIA = (
    (0.85, 0.85, 0.84),
    (0.80, 0.77, 0.70),
    (0.72, 0.70, 0.68),
    (0.90, 0.88, 0.84),
    (0.55, 0.54, 0.53),
)
METALS = ((0.50, 0.50, 0.51), (0.60, 0.58, 0.55), (0.38, 0.37, 0.36))
POLYMERS = ((0.60, 0.50, 0.35), (0.10, 0.10, 0.10), (0.75, 0.72, 0.66), (0.35, 0.28, 0.20))


def draw_materials(draw: Draw, n: int) -> Materials:
    """Ceramic, steel or polymer ferrules; one- or two-colour housings; faces dark to bright."""
    kind = draw.pick((0.66, 0.22, 0.12), n)
    ferrule = torch.where(
        (kind == 0)[:, None],
        draw.one_of(ZIRCONIA, n),
        torch.where((kind == 1)[:, None], draw.one_of(METALS, n), draw.one_of(POLYMERS, n)),
    ) * draw.uniform(0.8, 1.1, n, 1)
    metal = kind == 1
    albedo = draw_housing_albedo(draw, n)
    paint_ferrule_albedo(draw, albedo, ferrule, metal)
    gloss, rough = draw_finish(draw, metal)
    texture = draw.log_uniform(0.004, 0.10, n, Part.COUNT)
    texture[:, Part.ENDFACE] = draw.log_uniform(0.002, 0.07, n)
    texture[:, Part.FIBER] *= 0.3
    bare = draw.chance(0.4, n)[:, None]  # moulded in one tone throughout
    texture[:, HOUSING_PARTS] = torch.where(bare, 0.0, texture[:, HOUSING_PARTS])
    grain = draw.log_uniform(0.002, 0.14, n, Part.COUNT)
    scale = draw.log_uniform(0.3, 6.0, n, Part.COUNT, 2)
    # Centreless grinding runs round the barrel: fine along s, coarse about the axis.
    scale[:, Part.BARREL, 0] = draw.log_uniform(2.0, 12.0, n)
    scale[:, Part.BARREL, 1] = draw.uniform(0.02, 0.4, n)
    scale[:, Part.CHAMFER, 0] = draw.log_uniform(4.0, 25.0, n)
    scale[:, Part.CHAMFER, 1] = draw.uniform(0.02, 0.8, n)
    glow = torch.where(draw.chance(0.12, n), draw.log_uniform(0.2, 2.0, n), 0.0)
    return Materials(
        albedo.clamp(0.004, 0.95), gloss, rough, texture, grain, scale, glow,
        draw.chance(0.5, n), draw.chance(0.5, n), draw_pool(draw, n),
    )  # fmt: skip


def draw_pool(draw: Draw, n: int) -> Tensor:
    """Lamps make the table brighter (or their stands darker) about a place, in two of five."""
    rise = torch.where(
        draw.chance(0.7, n), draw.log_uniform(0.1, 3.0, n), -draw.uniform(0.1, 0.8, n)
    )
    rise = torch.where(draw.chance(0.4, n), rise, 0.0)
    centre = draw.uniform(-1.3, 1.3, n, 2)
    return torch.cat([centre, torch.stack([draw.log_uniform(0.3, 1.6, n), rise], -1)], -1)


def draw_housing_albedo(draw: Draw, n: int) -> Tensor:
    """Albedo of surround and housing, the ferrule's parts still 0: [N, P, 3]."""
    albedo = torch.zeros(n, Part.COUNT, 3, device=draw.device)
    front = draw.one_of(PLASTICS, n) * draw.log_uniform(0.6, 1.5, n, 1)
    inside = torch.where(draw.chance(0.6, n)[:, None], front, draw.one_of(PLASTICS, n))
    inside = inside * draw.log_uniform(0.4, 1.2, n, 1)
    # many benches are as grey as a grey housing: their colour must not tell them apart
    colour = torch.where(draw.chance(0.5, n), 0.15, 0.02)[:, None] * draw.normal(n, 3)
    albedo[:, Part.SURROUND] = draw.log_uniform(0.02, 1.0, n, 1) * (1 + colour).clamp(0.4, 1.6)
    albedo[:, Part.HOUSING], albedo[:, Part.WALL] = front, inside
    albedo[:, Part.FLOOR] = inside * draw.log_uniform(0.5, 1.3, n, 1)
    albedo[:, Part.BODY] = torch.where(
        draw.chance(0.65, n)[:, None], front, draw.one_of(PLASTICS, n)
    )
    return albedo


def paint_ferrule_albedo(draw: Draw, albedo: Tensor, ferrule: Tensor, metal: Tensor) -> None:
    """Fill in barrel, chamfer, endface and fibre from the ferrule's colour [N, 3]."""
    n = metal.shape[0]
    diffuse = torch.where(metal, draw.uniform(0.1, 0.5, n), draw.uniform(0.7, 1.0, n))[:, None]
    same = draw.chance(0.35, n)[:, None]  # ceramic that blends into ceramic
    albedo[:, Part.BARREL] = ferrule * diffuse
    albedo[:, Part.CHAMFER] = (
        ferrule * diffuse * torch.where(same, 1.0, draw.log_uniform(0.25, 1.1, n, 1))
    )
    albedo[:, Part.ENDFACE] = (
        ferrule * diffuse * torch.where(same, 1.0, draw.log_uniform(0.06, 1.1, n, 1))
    )
    glass = torch.where(
        draw.chance(0.75, n), draw.uniform(0.25, 0.85, n), draw.log_uniform(1.1, 4.0, n)
    )
    albedo[:, Part.FIBER] = albedo[:, Part.ENDFACE] * glass[:, None]


def draw_finish(draw: Draw, metal: Tensor) -> tuple[Tensor, Tensor]:
    """Mirror strength at normal incidence and roughness, each [N, P]; `metal` bool [N]."""
    n = metal.shape[0]
    gloss = draw.log_uniform(0.02, 0.25, n, Part.COUNT)
    gloss[:, Part.SURROUND] = 0.0
    shine = torch.where(metal, draw.uniform(0.3, 0.7, n), draw.log_uniform(0.03, 0.35, n))
    for part, factor in ((Part.BARREL, 1.0), (Part.CHAMFER, 1.0), (Part.ENDFACE, 1.3)):
        gloss[:, part] = shine * factor * draw.log_uniform(0.5, 1.6, n)
    gloss[:, Part.FIBER] = gloss[:, Part.ENDFACE] * draw.log_uniform(0.15, 1.2, n)
    rough = draw.log_uniform(0.12, 0.7, n, Part.COUNT)
    rough[:, Part.BARREL] = draw.log_uniform(0.05, 0.5, n)
    rough[:, Part.CHAMFER] = draw.log_uniform(0.06, 0.5, n)
    rough[:, Part.ENDFACE] = draw.log_uniform(0.01, 0.2, n)
    rough[:, Part.FIBER] = rough[:, Part.ENDFACE]
    return gloss, rough


def draw_lights(draw: Draw, cameras: Cameras) -> Lights:
    """Ring, coaxial, dome, side and mixed light; at least one of them is on."""
    n, count = cameras.tilt.shape[0], 2
    azimuth, height = (
        draw.uniform(0, 6.2832, n, count),
        torch.deg2rad(draw.uniform(8.0, 85.0, n, count)),
    )
    direction = torch.stack(
        [height.cos() * azimuth.cos(), height.cos() * azimuth.sin(), height.sin()], dim=-1
    )
    layout = draw.pick((0.22, 0.18, 0.22, 0.38), n)  # dome, ring, side, mixed
    mixed = layout == 3
    on = lambda which, share: ((layout == which) | (mixed & draw.chance(share, n))).float()  # noqa: E731
    side = on(2, 0.7)
    power = draw.log_uniform(0.3, 2.0, n, count) * side[:, None]
    power[:, 1] *= draw.chance(0.5, n)
    dome = on(0, 0.6)
    sky = 0.03 + dome * draw.log_uniform(0.4, 1.5, n) + side * draw.log_uniform(0.05, 0.4, n)
    ring = on(1, 0.5) * draw.log_uniform(0.4, 2.0, n)
    coaxial = torch.where(draw.chance(0.22, n), draw.log_uniform(0.3, 3.0, n), 0.0)
    # from lamps at a hand's breadth, which light near things more, to windows
    far, ring_far = draw.log_uniform(10.0, 150.0, n, count), draw.log_uniform(10.0, 150.0, n)
    return Lights(
        direction, far, draw.log_uniform(0.06, 0.9, n, count), power, ring,
        draw.uniform(0.15, 1.0, n), draw.uniform(0.05, 0.3, n), ring_far, coaxial,
        draw.uniform(0.04, 0.3, n), sky, sky * draw.log_uniform(0.1, 1.2, n),
        (1 + 0.09 * draw.normal(n, 3)).clamp(0.7, 1.3),
    )  # fmt: skip
