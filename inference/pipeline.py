"""The one pipeline: pictures of a connector in, an inspection and its arrays out.

Every front (command line, page, watched folder) goes through `Inspector`. The stages run in one
order, read -> segment -> fit -> measure -> fuse -> cover -> judge, each on frozen dataclasses. A
picture that cannot be used stays in the result as a view that says why not; the rest goes on.
Pictures of ordinary size are worked on two at a time, each with its share of the threads, so that
measuring one goes on beside the net on the next; how many go abreast changes nothing in the result.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from ..model.camera import SurfaceCoordinates, surface_coordinates
from ..model.profile import MeridianProfile
from ..model.shape import FIBER_RADIUS_UM, ConnectorShape
from ..model.surfaces import Surface
from .abreast import abreast
from .judge.sight import sight_of
from .judge.verdict import Judgement, Stated, ViewEvidence, judge
from .keep.inspection import Inspection
from .read_views import read_again, read_views
from .record import Found, record_of, utc_now
from .request import Request
from .see.agreed_kinds import agreed_kinds
from .see.aligned import turn_corrections, turned
from .see.coverage import Coverage, measure_coverage
from .see.deposits import measure_deposits
from .see.fuse import Deposit, ViewMaps, fuse
from .see.lens_specks import lens_specks, without_specks
from .see.look import MappedView
from .see.look_again import seen_again
from .see.model_file import ModelCard, allowed_threads
from .see.picture import Picture
from .see.pose import fit_connector
from .see.quality import measure_quality
from .see.redraw import redrawn_surfaces
from .see.segment import WHOLE_PX, Segmentation, Segmenter
from .see.travel_map import TravelMap, front_reach_um, lay_travel_map
from .see.work_size import finer_shares, first_size, reduced
from .settings import Settings
from .view import SeenView, unturned

__all__ = ["MOST_ABREAST", "Inspector", "Result", "SegmentsPictures"]

Follow = Callable[[Iterable[int]], Iterable[int]]
MOST_ABREAST = 2  # more would need more memory and gain little: the net uses all processors
STRAIGHT_DEG = 10.0  # up to this tilt a view counts as straight from the front


class SegmentsPictures(Protocol):
    """What the pipeline needs of a segmenter."""

    @property
    def card(self) -> ModelCard:
        """Which weights look at the pictures."""
        ...

    def __call__(self, rgb: npt.NDArray[np.uint8]) -> Segmentation:
        """Segment one picture, uint8 [H, W, 3] RGB."""
        ...


@dataclass(frozen=True)
class Result:
    """An inspection with what its pictures are drawn from.

    `views`: per picture given, in order. `maps`: the travel map of the whole surface and that of
    the front, None if no view could be placed. `unreadable`: a line for each file that is no
    picture.
    """

    inspection: Inspection
    views: tuple[SeenView, ...]
    deposits: tuple[Deposit, ...]
    maps: tuple[TravelMap, TravelMap] | None
    unreadable: tuple[str, ...]


class Inspector:
    """Inspects connectors, one at a time, with one model and one set of settings.

    `model`: the weights' file, or a segmenter, which is asked about one picture at a time.
    `threads`: at most so many, None for as many as the process may use. Raises ModelError where the
    weights cannot be used.
    """

    def __init__(
        self,
        model: Path | SegmentsPictures,
        settings: Settings | None = None,
        threads: int | None = None,
    ) -> None:
        self.settings = settings or Settings()
        self._threads = threads or allowed_threads()
        self._most_abreast = min(MOST_ABREAST, self._threads) if isinstance(model, Path) else 1
        self._threaded: Segmenter | None = None
        if isinstance(model, Path):
            model = self._threaded = Segmenter(model, self._threads // self._most_abreast)
        self.segmenter: SegmentsPictures = model

    def inspect(self, request: Request, follow: Follow = iter) -> Result:
        """Inspect one connector.

        `follow` is handed the indices of the pictures while they are read and segmented, the
        longest part, and may report progress. Raises UsageError where what was stated contradicts
        the pictures.
        """
        read = read_views(request)
        at_once = self._at_once(read)
        self._share_threads(sum(view.why_not is None for view in read), at_once)
        seen = abreast(self._see, read, at_once)
        views = [next(seen) for _ in follow(range(len(read)))]
        del read, seen  # at 20 megapixels a quarter of the memory
        self._look_closer(views)
        at_once = self._at_once(views)
        views, shape = _place(views, request)
        views = _clear_of_specks(list(abreast(_measured, enumerate(views), at_once)))
        views = _aligned(views)
        deposits = _seen_again(views, _fused(views))
        views = _agreed(views, deposits)
        coverage, maps = self._cover(views, shape, at_once)
        created_at = utc_now()
        judgement = self._judge(request, views, (deposits, coverage, shape), created_at)
        found = Found(views, deposits, shape, coverage, judgement)
        inspection = record_of(found, request, self.settings, self.segmenter.card, created_at)
        unreadable = tuple(f"{view.path}: {view.why_not}" for view in views if view.undecodable)
        return Result(inspection, tuple(views), deposits, maps, unreadable)

    def _at_once(self, views: Sequence[SeenView]) -> int:
        """How many pictures may be worked on at a time: large ones one by one, for the memory."""
        sizes = [view.picture.rgb.size // 3 for view in views if view.picture is not None]
        return self._most_abreast if max(sizes, default=0) <= WHOLE_PX else 1

    def _share_threads(self, count: int, at_once: int) -> None:
        """Deal the threads out to the pictures in hand at a time, if all `count` go in full rounds.

        Two that share the threads wait for each other: a fifth of the net's time.
        """
        if self._most_abreast > 1 and self._threaded is not None:
            whole_rounds = count > 0 and count % at_once == 0
            self._threaded.take_threads(self._threads // (at_once if whole_rounds else 1))

    def _see(self, view: SeenView, share: float | None = None) -> SeenView:
        """A picture segmented and checked; one that cannot be used as it is.

        A large one is looked at in reduced size, or with `share` of its pixels along a side.
        """
        if view.picture is None or view.why_not is not None:
            return view
        picture = first_size(view.picture)
        if share is not None:
            picture = view.picture if share == 1 else reduced(view.picture, share)
        segmentation = self.segmenter(picture.rgb)
        quality = measure_quality(picture.rgb, segmentation)
        why_not = None if quality.readable else quality.why_not
        return replace(
            view, picture=picture, segmentation=segmentation, quality=quality, why_not=why_not
        )

    def _look_closer(self, views: list[SeenView]) -> None:
        """Put those in their places in `views` that deserve a second look."""
        shares = finer_shares([_first_look(view) for view in views])
        for k, share in enumerate(shares):
            if share is not None:
                # what the first look found would only take memory
                views[k] = replace(views[k], segmentation=None, quality=None, why_not=None)
        for k, share in enumerate(shares):
            if share is not None:
                views[k] = self._see(read_again(views[k]), share)

    def _cover(
        self, views: Sequence[SeenView], shape: ConnectorShape | None, at_once: int
    ) -> tuple[Coverage | None, tuple[TravelMap, TravelMap] | None]:
        """Coverage and the two travel maps; None if no view could be placed."""
        if shape is None:
            return None, None
        lost = unturned(views)
        drawn = _mapped(view for index, view in enumerate(views) if index not in lost)
        size_um, map_px = self.settings.coverage_size_um, self.settings.map_px
        reach_um = front_reach_um(MeridianProfile(shape))
        wanted: list[tuple[int, float | None]] = [(map_px, None), (map_px // 2, reach_um)]
        whole, front = abreast(
            lambda each: lay_travel_map(drawn, shape, size_um, *each), wanted, at_once
        )
        # a view straight from the front shows the same places however it is turned
        covering = _mapped(
            view for index, view in enumerate(views) if index not in lost or _is_straight(view)
        )
        return measure_coverage(covering, shape, size_um, whole), (whole, front)

    def _judge(
        self,
        request: Request,
        views: Sequence[SeenView],
        found: tuple[Sequence[Deposit], Coverage | None, ConnectorShape | None],
        created_at: str,
    ) -> Judgement:
        deposits, coverage, shape = found
        rules = self.settings.rules
        if request.fiber_mode is not None:
            rules = replace(rules, fiber_mode=request.fiber_mode)
        stated = Stated(
            in_zone=request.in_zone,
            in_zone_by=request.in_zone_by,
            cleanings_failed=_cleanings_failed(request),
            # cameras' clocks and files' times cannot be relied on; this time is sure
            pictured_at=f"{created_at.replace('T', ' ').replace('Z', ' UTC')}, when inspected",
            finish=request.finish,
        )
        evidence = [_evidence(view) for view in views if view.duplicate_of is None]
        sight = sight_of(self.segmenter.card.scores)
        assumed = self.settings.assumptions
        return judge(deposits, coverage, evidence, shape, rules, stated, sight, assumed)


def _first_look(view: SeenView) -> tuple[Picture, Segmentation] | None:
    """What `finer_shares` asks about; None for a view that was not segmented."""
    if view.picture is None or view.segmentation is None:
        return None
    return view.picture, view.segmentation


def _cleanings_failed(request: Request) -> int:
    """How often cleaning was in vain if the connector is still dirty: counted, or once."""
    if request.cleanings_failed is not None:
        return request.cleanings_failed
    return 1 if request.facts.stage == "cleaned" else 0


def _place(
    views: Sequence[SeenView], request: Request
) -> tuple[list[SeenView], ConnectorShape | None]:
    """Fit the connector to the usable views; those that do not fit say why."""
    usable = [(k, view.segmentation) for k, view in enumerate(views) if view.why_not is None]
    segmented = [segmentation for _, segmentation in usable if segmentation is not None]
    turns = [views[k].stated_turn_deg for k, _ in usable]
    placed = list(views)
    if not segmented:
        return placed, None
    fit = fit_connector(segmented, request.ferrule_mm, turns)
    if (impossible := _impossible(fit.shape)) is not None:
        for k, _ in usable:
            placed[k] = replace(views[k], why_not=impossible)
        return placed, None
    for (k, _), pose, why_not in zip(usable, fit.poses, fit.why_not, strict=True):
        placed[k] = replace(views[k], pose=pose, why_not=why_not)
    return placed, fit.shape


def _impossible(shape: ConnectorShape | None) -> str | None:
    """Why a fitted shape is no connector's; None if it may be one."""
    try:
        if shape is not None:
            MeridianProfile(shape)
    except ValueError as error:
        return f"the outlines fit no possible ferrule ({error})"
    return None


def _measured(numbered: tuple[int, SeenView]) -> SeenView:
    """A placed view with its deposits, and its surfaces drawn again from the fit."""
    index, view = numbered
    pose, seen = view.pose, view.segmentation
    if seen is None or pose is None:
        return view
    coordinates = surface_coordinates(pose.camera, pose.shape)
    surface = redrawn_surfaces(seen.surface, seen.kind, coordinates, pose.mouth_fitted)
    seen = replace(seen, surface=surface)
    deposits = measure_deposits(seen, coordinates, index) if view.readable else ()
    # what only measuring asks for would be two thirds of the memory of a large picture
    seen = replace(seen, doubtful=None, likely=None)
    coordinates = _lightened(coordinates)
    return replace(view, segmentation=seen, coordinates=coordinates, deposits=deposits)


def _clear_of_specks(views: Sequence[SeenView]) -> list[SeenView]:
    """The views without what sits on the camera's lens; there they show nothing."""
    found = lens_specks([view.deposits for view in views], [view.pose for view in views])
    out = list(views)
    for index, view in enumerate(views):
        specks = [seen for k, seen in enumerate(view.deposits) if (index, k) in found]
        if specks and view.segmentation is not None:
            kept = [seen for k, seen in enumerate(view.deposits) if (index, k) not in found]
            seen = without_specks(view.segmentation, specks)
            out[index] = replace(
                view, segmentation=seen, deposits=tuple(kept), specks=tuple(specks)
            )
    return out


def _lightened(coordinates: SurfaceCoordinates) -> SurfaceCoordinates:
    """Only surface and travel distance kept; the rest is NaN, which takes no memory."""
    unknown = np.broadcast_to(np.float32(np.nan), coordinates.surface.shape)
    return replace(coordinates, theta_deg=unknown, pixel_area_um2=unknown, facing=unknown)


def _fused(views: Sequence[SeenView]) -> tuple[Deposit, ...]:
    """The deposits of all views; without an angle where only views of unknown turn show them."""
    lost = unturned(views)
    poses = [view.pose for view in views]
    maps = [_maps(view) for view in views]
    return tuple(
        _named_by_place(
            replace(deposit, theta_deg=None) if lost.issuperset(deposit.seen_in) else deposit
        )
        for deposit in fuse([view.deposits for view in views], poses, maps)
    )


def _seen_again(views: Sequence[SeenView], deposits: Sequence[Deposit]) -> tuple[Deposit, ...]:
    """The deposits with the views that show them only when looked at more closely."""
    found = list(deposits)
    lost = unturned(views)
    for index, view in enumerate(views):
        if index in lost or not view.readable or view.segmentation is None or view.pose is None:
            continue
        for k, seen in seen_again(deposits, index, view.segmentation, view.pose).items():
            sightings = sorted((*found[k].sightings, seen), key=lambda each: each.view)
            seen_in = tuple(sorted({*found[k].seen_in, index}))
            found[k] = replace(found[k], sightings=tuple(sightings), seen_in=seen_in)
    return tuple(found)


def _agreed(views: Sequence[SeenView], deposits: Sequence[Deposit]) -> list[SeenView]:
    """The views with the kinds per pixel that the deposits of all views make of them."""
    agreed = list(views)
    for index in {view for deposit in deposits for view in deposit.seen_in}:
        seen = views[index].segmentation
        if seen is not None:
            seen = replace(seen, kind=agreed_kinds(seen.kind, deposits, index))
            agreed[index] = replace(views[index], segmentation=seen)
    return agreed


def _named_by_place(deposit: Deposit) -> Deposit:
    """Fibre or endface by the 125 um of the fibre, whose outline may be hard to see."""
    face = (Surface.FIBER, Surface.ENDFACE)
    if deposit.surface not in face or deposit.s_um is None:
        return deposit
    return replace(deposit, surface=face[deposit.s_um > FIBER_RADIUS_UM])


def _is_straight(view: SeenView) -> bool:
    return view.pose is not None and view.pose.camera.tilt_deg <= STRAIGHT_DEG


def _maps(view: SeenView) -> ViewMaps | None:
    if view.segmentation is None or view.coordinates is None:
        return None
    return ViewMaps(view.coordinates, view.segmentation.deposit_p, view.segmentation.unseen)


def _mapped(views: Iterable[SeenView]) -> list[MappedView]:
    """The readable views as the travel map takes them."""
    return [each for each in map(_mapped_view, views) if each is not None]


def _mapped_view(view: SeenView) -> MappedView | None:
    segmentation, quality, pose = view.segmentation, view.quality, view.pose
    if not view.readable or segmentation is None or quality is None or pose is None:
        return None
    if view.picture is None or view.coordinates is None or quality.detection_limit_px is None:
        return None
    return MappedView(
        camera=pose.camera,
        coordinates=view.coordinates,
        surface=segmentation.surface,
        kind=segmentation.kind,
        unseen=segmentation.unseen,
        rgb=view.picture.rgb,
        limit_px=quality.detection_limit_px,
    )


def _aligned(views: Sequence[SeenView]) -> list[SeenView]:
    """The views turned so that the deposits they share fall on the same place."""
    corrections = turn_corrections([view.deposits for view in views], [v.pose for v in views])
    out = list(views)
    for index, (view, by) in enumerate(zip(views, corrections, strict=True)):
        if by is None or view.pose is None or view.coordinates is None:
            continue
        pose, _, deposits = turned(view.pose, view.coordinates, view.deposits, by)
        out[index] = replace(view, pose=pose, deposits=deposits)
    return out


def _evidence(view: SeenView) -> ViewEvidence:
    camera = None if view.pose is None else view.pose.camera
    return ViewEvidence(
        picture=view.name,
        readable=view.readable,
        why_not=view.why_not,
        detection_limit_um=view.detection_limit_um,
        tilt_deg=None if camera is None else camera.tilt_deg,
        turn_deg=view.turn_deg,
    )
