"""Rays against the connector, exactly: which part each pixel shows, where on it, and how it faces.

The ferrule is the intersection of a cylinder, a cone, the dome's sphere and a half space; a ray's
interval in a convex body is the overlap of its intervals in the parts, and the part that is entered
last is the one that is seen. Housing and cavity are prisms over rounded rectangles.
"""

from dataclasses import dataclass

import torch
from torch import Tensor

from .scene import Cameras, Connectors, Part

__all__ = [
    "Hits",
    "Rays",
    "camera_rays",
    "ferrule_interval",
    "outline_interval",
    "project",
    "trace",
]

FAR = 1.0e4
START_MM = 9.0  # rays start this close to the part: float32 is too coarse from the lens


@dataclass(frozen=True)
class Rays:
    """Origins (mm) and unit directions [N, H, W, 3]; the origin's distance from the camera."""

    origin: Tensor
    direction: Tensor
    offset: Tensor  # [N, H, W]


@dataclass(frozen=True)
class Hits:
    """What each ray meets first: [N, H, W] and [N, H, W, 3].

    `part` uint8, `distance` mm from the ray's origin, `depth` mm along the optical axis beyond the
    fibre's depth (positive = farther), `s` travel distance mm, `theta` radians.
    """

    part: Tensor
    distance: Tensor
    depth: Tensor
    point: Tensor
    normal: Tensor
    s: Tensor
    theta: Tensor


def spread(value: Tensor) -> Tensor:
    """[N] or [N, C] -> [N, 1, 1] or [N, 1, 1, C], to meet pictures."""
    return value[:, None, None]


def camera_axes(cameras: Cameras) -> tuple[Tensor, Tensor, Tensor]:
    """Right, down and forward unit vectors [N, 3]: theta = turn lies at the picture's bottom."""
    st, ct, sa, ca = (f(v) for v in (cameras.tilt, cameras.turn) for f in (torch.sin, torch.cos))
    down = torch.stack([ct * ca, ct * sa, -st], dim=-1)
    forward = -torch.stack([st * ca, st * sa, ct], dim=-1)
    right = torch.linalg.cross(down, forward)
    c, s = cameras.roll.cos()[:, None], cameras.roll.sin()[:, None]
    return c * right - s * down, c * down + s * right, forward


def camera_centre(cameras: Cameras) -> Tensor:
    """Where the pinhole is, mm: [N, 3]."""
    right, down, forward = camera_axes(cameras)
    off = (cameras.fiber_px - cameras.centre_px) * cameras.mm_per_px[:, None]
    return -(right * off[:, :1] + down * off[:, 1:] + forward * cameras.depth[:, None])


def camera_rays(cameras: Cameras) -> Rays:
    """One ray through the centre of each pixel."""
    high, wide = cameras.size_hw
    device = cameras.tilt.device
    x = torch.arange(wide, device=device) + 0.5
    y = torch.arange(high, device=device) + 0.5
    px = (x[None] - cameras.centre_px[:, :1]) * cameras.mm_per_px[:, None]  # [N, W]
    py = (y[None] - cameras.centre_px[:, 1:]) * cameras.mm_per_px[:, None]
    right, down, forward = camera_axes(cameras)
    ray = (
        spread(forward * cameras.depth[:, None])
        + spread(right) * px[:, None, :, None]
        + spread(down) * py[:, :, None, None]
    )  # reaches the fibre's depth at length 1
    length = ray.norm(dim=-1)
    start = (
        1
        - torch.minimum(cameras.depth * 0.6, torch.full_like(cameras.depth, START_MM))
        / cameras.depth
    )
    origin = spread(camera_centre(cameras)) + ray * spread(start)[..., None]
    return Rays(origin, ray / length[..., None], length * spread(start))


def project(cameras: Cameras, point: Tensor) -> tuple[Tensor, Tensor]:
    """Points [N, K, 3] mm -> pixels [N, K, 2] and depth beyond the fibre [N, K] mm."""
    right, down, forward = camera_axes(cameras)
    d = point - camera_centre(cameras)[:, None]
    axes = torch.stack([right, down, forward], dim=-1)  # [N, 3, 3]
    cam = d @ axes
    focal = (cameras.depth / cameras.mm_per_px)[:, None]
    z = cam[..., 2].clamp_min(1e-3)
    px = cam[..., :2] / z[..., None] * focal[..., None] + cameras.centre_px[:, None]
    return px, cam[..., 2] - cameras.depth[:, None]


def quadratic_interval(a: Tensor, b: Tensor, c: Tensor) -> tuple[Tensor, Tensor]:
    """Where a t^2 + 2 b t + c <= 0 for a > 0: (enter, leave); empty is (FAR, -FAR)."""
    disc = b * b - a * c
    root = disc.clamp_min(0).sqrt()
    inv = 1 / a.clamp_min(1e-12)
    miss = disc < 0
    return torch.where(miss, FAR, (-b - root) * inv), torch.where(miss, -FAR, (-b + root) * inv)


def cone_interval(o: Tensor, d: Tensor, slope: Tensor, apex: Tensor) -> tuple[Tensor, Tensor]:
    """Ray interval inside r <= slope (apex - z): one nappe, opening downwards."""
    oz, dz, k2 = apex - o[..., 2], -d[..., 2], slope * slope
    a = d[..., 0] ** 2 + d[..., 1] ** 2 - k2 * dz * dz
    b = o[..., 0] * d[..., 0] + o[..., 1] * d[..., 1] - k2 * oz * dz
    c = o[..., 0] ** 2 + o[..., 1] ** 2 - k2 * oz * oz
    a = torch.where(a.abs() < 1e-9, 1e-9, a)
    disc = b * b - a * c
    root = disc.clamp_min(0).sqrt()
    t0, t1 = (-b - root) / a, (-b + root) / a
    low, high = torch.minimum(t0, t1), torch.maximum(t0, t1)
    # a > 0: both roots lie on one nappe; a < 0: one on each, and the ray stays inside beyond it.
    middle = (oz + dz * 0.5 * (low + high)) > 0
    inside_a = (a > 0) & (disc >= 0) & middle
    downwards = dz > 0
    enter = torch.where(a > 0, torch.where(inside_a, low, FAR), torch.where(downwards, high, -FAR))
    leave = torch.where(a > 0, torch.where(inside_a, high, -FAR), torch.where(downwards, FAR, low))
    return enter, leave


def ferrule_interval(connectors: Connectors, o: Tensor, d: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Interval in the ferrule and which part is entered: (enter, leave, part uint8)."""
    radius = spread(connectors.ferrule_radius)
    a = (d[..., 0] ** 2 + d[..., 1] ** 2).clamp_min(1e-9)
    b = o[..., 0] * d[..., 0] + o[..., 1] * d[..., 1]
    c = o[..., 0] ** 2 + o[..., 1] ** 2 - radius**2
    enter, leave = quadratic_interval(a, b, c)
    slope = (connectors.ferrule_radius - connectors.edge_radius) / connectors.chamfer_depth
    apex = connectors.chamfer_z + connectors.ferrule_radius / slope
    cone_in, cone_out = cone_interval(o, d, spread(slope), spread(apex))
    centre = -connectors.dome_axis * connectors.dome_radius[:, None]
    oc = o - spread(centre)
    ball_in, ball_out = quadratic_interval(
        torch.ones_like(a),
        (oc * d).sum(-1),
        (oc * oc).sum(-1) - spread(connectors.dome_radius) ** 2,
    )
    dz = torch.where(d[..., 2].abs() < 1e-7, 1e-7, d[..., 2])
    t_floor = (spread(connectors.floor_z) - o[..., 2]) / dz
    leave = torch.minimum(torch.minimum(leave, cone_out), ball_out)
    leave = torch.where(dz < 0, torch.minimum(leave, t_floor), leave)
    part = torch.full_like(enter, Part.BARREL, dtype=torch.uint8)
    part = torch.where(cone_in > enter, Part.CHAMFER, part)
    enter = torch.maximum(enter, cone_in)
    part = torch.where(ball_in > enter, Part.ENDFACE, part)
    enter = torch.maximum(enter, ball_in)
    enter = torch.where(dz > 0, torch.maximum(enter, t_floor), enter)
    return enter, leave, part


def turned(v: Tensor, angle: Tensor) -> tuple[Tensor, Tensor]:
    """x and y of [..., 3] vectors in axes turned by `angle` [N]."""
    c, s = spread(angle.cos()), spread(angle.sin())
    return v[..., 0] * c + v[..., 1] * s, v[..., 1] * c - v[..., 0] * s


def outline_interval(
    o: tuple[Tensor, Tensor], d: tuple[Tensor, Tensor], half: Tensor, corner: Tensor
) -> tuple[Tensor, Tensor]:
    """Interval of a plane ray in a rounded rectangle: the union of 2 rectangles and 4 discs."""
    (ox, oy), (dx, dy) = o, d
    dx = torch.where(dx.abs() < 1e-8, 1e-8, dx)
    dy = torch.where(dy.abs() < 1e-8, 1e-8, dy)
    hx, hy, r = spread(half[:, 0]), spread(half[:, 1]), spread(corner)
    a = dx * dx + dy * dy
    enter, leave = torch.full_like(a, FAR), torch.full_like(a, -FAR)
    for wx, wy in ((hx, hy - r), (hx - r, hy)):
        tx0, tx1 = (-wx - ox) / dx, (wx - ox) / dx
        ty0, ty1 = (-wy - oy) / dy, (wy - oy) / dy
        t_in = torch.maximum(torch.minimum(tx0, tx1), torch.minimum(ty0, ty1))
        t_out = torch.minimum(torch.maximum(tx0, tx1), torch.maximum(ty0, ty1))
        hit = t_in < t_out
        enter = torch.where(hit, torch.minimum(enter, t_in), enter)
        leave = torch.where(hit, torch.maximum(leave, t_out), leave)
    for sx in (-1, 1):
        for sy in (-1, 1):
            px, py = ox - sx * (hx - r), oy - sy * (hy - r)
            t_in, t_out = quadratic_interval(a, px * dx + py * dy, px * px + py * py - r * r)
            enter, leave = torch.minimum(enter, t_in), torch.maximum(leave, t_out)
    return enter, leave


def outline_distance(
    x: Tensor, y: Tensor, half: Tensor, corner: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Signed distance to a rounded rectangle (negative inside) and its gradient (gx, gy)."""
    r = spread(corner)
    qx, qy = x.abs() - (spread(half[:, 0]) - r), y.abs() - (spread(half[:, 1]) - r)
    ax, ay = qx.clamp_min(0), qy.clamp_min(0)
    outside = torch.sqrt(ax * ax + ay * ay).clamp_min(1e-9)
    distance = outside + torch.maximum(qx, qy).clamp_max(0) - r
    in_corner = (qx > 0) & (qy > 0)
    flat_x = (qx >= qy).float()
    gx = torch.where(in_corner, ax / outside, flat_x) * torch.sign(x)
    gy = torch.where(in_corner, ay / outside, 1 - flat_x) * torch.sign(y)
    return distance, gx, gy


def housing_hit(connectors: Connectors, o: Tensor, d: Tensor) -> tuple[Tensor, Tensor]:
    """First hit of housing, cavity or body behind it: (distance, part), else (FAR, SURROUND)."""
    oxy, dxy = turned(o, connectors.key_rad), turned(d, connectors.key_rad)
    dz = torch.where(d[..., 2].abs() < 1e-7, -1e-7, d[..., 2])
    rim, floor = spread(connectors.rim_z), spread(connectors.floor_z)
    t_front = (rim - o[..., 2]) / dz
    cav_in, cav_out = outline_interval(oxy, dxy, connectors.cavity_half, connectors.cavity_corner)
    out_in, out_out = outline_interval(oxy, dxy, connectors.outer_half, connectors.outer_corner)
    down = dz < 0
    opens = down & (t_front > cav_in) & (t_front < cav_out)
    t_floor = (floor - o[..., 2]) / dz
    t_cavity = torch.minimum(cav_out, t_floor)
    on_front = down & (t_front > out_in) & (t_front < out_out) & ~opens
    below = o[..., 2] + d[..., 2] * out_in < rim
    on_side = (out_in < FAR) & below & (out_in > 0)
    distance = torch.where(
        opens, t_cavity, torch.where(on_front, t_front, torch.where(on_side, out_in, FAR))
    )
    part = torch.where(opens, torch.where(t_floor < cav_out, Part.FLOOR, Part.WALL), Part.HOUSING)
    part = torch.where(distance < FAR, part, Part.SURROUND)
    covered = (out_in, out_out)
    return body_hit(connectors, (o, d), (oxy, dxy), covered, (distance, part.to(torch.uint8)))


def body_hit(
    connectors: Connectors,
    ray: tuple[Tensor, Tensor],
    plane_ray: tuple[tuple[Tensor, Tensor], tuple[Tensor, Tensor]],
    covered: tuple[Tensor, Tensor],
    so_far: tuple[Tensor, Tensor],
) -> tuple[Tensor, Tensor]:
    """The wider body behind the front, where it is nearer than what was hit so far.

    `covered` is the ray's interval within the front's outline: there the body is inside the
    housing.
    """
    o, d = ray
    distance, part = so_far
    dz = torch.where(d[..., 2].abs() < 1e-7, -1e-7, d[..., 2])
    shoulder = spread(connectors.rim_z - connectors.body_drop)
    t_front = (shoulder - o[..., 2]) / dz
    t_in, t_out = outline_interval(*plane_ray, connectors.body_half, connectors.outer_corner)
    free = (t_front <= covered[0]) | (t_front >= covered[1])
    on_front = (dz < 0) & (t_front > t_in) & (t_front < t_out) & free
    on_side = (t_in < FAR) & (t_in > 0) & (o[..., 2] + d[..., 2] * t_in < shoulder)
    t = torch.where(on_front, t_front, torch.where(on_side, t_in, FAR))
    nearer = t < distance - 1e-4
    return torch.where(nearer, t, distance), torch.where(nearer, Part.BODY, part).to(torch.uint8)


def trace(connectors: Connectors, cameras: Cameras, rays: Rays) -> Hits:
    """First hits of all rays with part, point, normal and the place (s, theta) on the surface."""
    o, d = rays.origin, rays.direction
    enter, leave, ferrule_part = ferrule_interval(connectors, o, d)
    distance, part = housing_hit(connectors, o, d)
    on_ferrule = (enter < leave) & (enter > 0) & (enter < distance)
    distance = torch.where(on_ferrule, enter, distance)
    part = torch.where(on_ferrule, ferrule_part, part)
    distance = torch.where(part == Part.SURROUND, 40.0, distance)
    point = o + d * distance[..., None]
    r = torch.sqrt(point[..., 0] ** 2 + point[..., 1] ** 2)
    part = torch.where((part == Part.ENDFACE) & (r < 0.0625), Part.FIBER, part)
    _, _, forward = camera_axes(cameras)
    along = (d * spread(forward)).sum(-1)
    depth = (distance + rays.offset) * along - spread(cameras.depth)
    normal = normals(connectors, part, point, r)
    theta = torch.atan2(point[..., 1], point[..., 0])
    return Hits(
        part, distance, depth, point, normal, travel_distance(connectors, part, point, r), theta
    )


def normals(connectors: Connectors, part: Tensor, point: Tensor, r: Tensor) -> Tensor:
    """Outward unit normals [N, H, W, 3]; the cavity's mouth has a rounded lip."""
    x, y, z = point.unbind(-1)
    inv_r = 1 / r.clamp_min(1e-6)
    ux, uy = x * inv_r, y * inv_r
    slope = (connectors.ferrule_radius - connectors.edge_radius) / connectors.chamfer_depth
    across = spread(1 / torch.sqrt(1 + slope**2))
    up = spread(slope / torch.sqrt(1 + slope**2))
    barrel, chamfer = part == Part.BARREL, part == Part.CHAMFER
    dome = (part == Part.ENDFACE) | (part == Part.FIBER)
    radial = torch.where(barrel, 1.0, torch.where(chamfer, across, 0.0))
    nz = torch.where(barrel, 0.0, torch.where(chamfer, up, 1.0))
    centre = -connectors.dome_axis * connectors.dome_radius[:, None]
    ball = (point - spread(centre)) / spread(connectors.dome_radius)[..., None]
    nx, ny = ux * radial, uy * radial
    n = torch.stack([nx, ny, nz], dim=-1)
    n = torch.where(dome[..., None], ball, n)
    return housing_normals(connectors, part, (x, y, z), n)


def housing_normals(
    connectors: Connectors, part: Tensor, xyz: tuple[Tensor, Tensor, Tensor], n: Tensor
) -> Tensor:
    """Overwrite `n` on walls, sides, fronts and floor of the housing."""
    x, y, z = xyz
    lx, ly = turned(torch.stack([x, y, z], -1), connectors.key_rad)
    cav, cgx, cgy = outline_distance(lx, ly, connectors.cavity_half, connectors.cavity_corner)
    out, ogx, ogy = outline_distance(lx, ly, connectors.outer_half, connectors.outer_corner)
    body, bgx, bgy = outline_distance(lx, ly, connectors.body_half, connectors.outer_corner)
    drop, rise = spread(connectors.rim_z) - z, z - spread(connectors.floor_z)
    wall, floor = part == Part.WALL, part == Part.FLOOR
    front, body_front = (part == Part.HOUSING) & (drop < 1e-3), (part == Part.BODY) & (body < -2e-3)
    side, body_side = (part == Part.HOUSING) & ~front, (part == Part.BODY) & ~body_front
    # Near an edge the normal swings from one face's towards the other's.
    inward = torch.where(front, near_edge(cav, connectors.lip), 0.0)
    inward += torch.where(floor, near_edge(-cav, connectors.fillet), 0.0)
    outward = torch.where(front, near_edge(-out, connectors.shoulder), 0.0)
    body_outward = torch.where(body_front, near_edge(-body, connectors.shoulder), 0.0)
    upward = near_edge(drop, connectors.lip) + near_edge(rise, connectors.fillet)
    swing = spread(connectors.swing)
    g_cav = -torch.where(wall, 1.0, inward * swing)
    g_out = torch.where(side, 1.0, outward * swing)
    g_body = torch.where(body_side, 1.0, body_outward * swing)
    gx = cgx * g_cav + ogx * g_out + bgx * g_body
    gy = cgy * g_cav + ogy * g_out + bgy * g_body
    gz = torch.where(wall, upward * 0.7, torch.where(side | body_side, 0.0, 1.0))
    c, s = spread(connectors.key_rad.cos()), spread(connectors.key_rad.sin())
    own = torch.stack([gx * c - gy * s, gx * s + gy * c, gz], dim=-1)
    own = own / own.norm(dim=-1, keepdim=True).clamp_min(1e-6)
    housing = wall | (part == Part.HOUSING) | (part == Part.BODY) | floor
    return torch.where(housing[..., None], own, n)


def near_edge(distance: Tensor, width: Tensor) -> Tensor:
    """1 at an edge, falling to 0 at `width` [N] mm from it; `distance` [N, H, W] mm."""
    return (1 - distance / spread(width).clamp_min(1e-3)).clamp(0, 1)


def travel_distance(connectors: Connectors, part: Tensor, point: Tensor, r: Tensor) -> Tensor:
    """Path length from the fibre's centre along the meridian, mm; 0 off the connector's inside."""
    dome_r, edge, radius = (
        spread(v)
        for v in (connectors.dome_radius, connectors.edge_radius, connectors.ferrule_radius)
    )
    chamfer_z, floor_z = spread(connectors.chamfer_z), spread(connectors.floor_z)
    z = point[..., 2]
    on_dome = dome_r * torch.asin((r / dome_r).clamp(max=0.99))
    s_edge = dome_r * torch.asin((edge / dome_r).clamp(max=0.99))
    slant = torch.sqrt((radius - edge) ** 2 + spread(connectors.chamfer_depth) ** 2)
    on_chamfer = s_edge + slant * ((r - edge) / (radius - edge))
    on_barrel = s_edge + slant + (chamfer_z - z)
    s_floor = s_edge + slant + (chamfer_z - floor_z)
    on_floor = s_floor + (r - radius)
    on_wall = on_floor + (z - floor_z)
    table = (
        ((part == Part.ENDFACE) | (part == Part.FIBER), on_dome),
        (part == Part.CHAMFER, on_chamfer),
        (part == Part.BARREL, on_barrel), (part == Part.FLOOR, on_floor),
        (part == Part.WALL, on_wall),
    )  # fmt: skip
    s = torch.zeros_like(r)
    for mask, value in table:
        s = torch.where(mask, value, s)
    return s
