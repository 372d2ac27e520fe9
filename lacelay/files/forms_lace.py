"""The lace record as a file (`lacelay-lace`)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta, field
from numpy.typing import NDArray

from lacelay.files.json_form import (
    Count,
    Form,
    Length,
    Mm,
    NotNegative,
    Plain,
    Point,
    PointPx,
    Share,
    as_points,
    mm,
    place,
    plain,
    points_mm,
    points_px,
    significant,
)
from lacelay.geometry.closed_map import ClosedMap
from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import (
    Bead,
    Lace,
    LaceEdge,
    Measured,
    Motif,
    PhotoPart,
    Repeat,
    Scale,
    Shares,
    Side,
)

#: A point's millimetres and pixels may disagree by this much; a hand's edit of one moves more.
_AGREEMENT_PX = 0.5


class MeasuredForm(Form, frozen=True, kw_only=True):
    """A measurement with its standard uncertainty (one sigma), in the unit of its name."""

    value: Plain
    sigma: NotNegative


class TrackForm(Form, frozen=True, kw_only=True):
    """Points in order, in lace millimetres and in pixels of the upright photo."""

    mm: list[Point]
    px: list[PointPx] | None = None


class ScaleForm(Form, frozen=True, kw_only=True):
    """How large the photo is: pixels per mm at the middle of the lace, and what says so."""

    px_per_mm: Annotated[float, Meta(gt=0, le=1e4)]
    relative_sigma: NotNegative
    reference: str


class EdgeForm(Form, frozen=True, kw_only=True):
    """One long edge: valleys and tips in order of u, whole scallops only."""

    scalloped: bool
    valleys: TrackForm
    tips: TrackForm
    pitch_mm: MeasuredForm | None = None
    depth_mm: MeasuredForm | None = None
    per_repeat: Count | None = None
    doubt: str | None = None


class RepeatForm(Form, frozen=True, kw_only=True):
    """Length of the repeat, copies seen, and how sure it is (0 to 1) and why."""

    length_mm: MeasuredForm
    copies: NotNegative
    sure: Share
    reason: str = ""


class MotifForm(Form, frozen=True, kw_only=True):
    """One motif's outline, closed, first point not repeated; copies share `kind`, -1 is none."""

    outline: TrackForm
    kind: Annotated[int, Meta(ge=-1, le=10_000_000)] = -1


class BeadForm(Form, frozen=True, kw_only=True):
    """A bead or sequin; beads of one `run` are on one thread, in the order of `along`.

    A run of -1 is none: sewn on by itself, or not known.
    """

    mm: Point
    px: PointPx | None = None
    diameter_mm: Length
    run: Annotated[int, Meta(ge=-1, le=10_000_000)] = -1
    along: Annotated[int, Meta(ge=0, le=10_000_000)] = 0


class SharesForm(Form, frozen=True, kw_only=True):
    """Shares of the lace's area; they sum to 1."""

    motif: Share
    ground: Share
    open: Share


class PhotoMapForm(Form, frozen=True, kw_only=True):
    """Photo pixels to lace millimetres.

    Pixels are (x, y) of the upright photo, x right, y down, (0, 0) the centre of its top
    left pixel. A pixel, freed of lens distortion, goes through the homography to the mat
    (x, y), mm, y up. The axis is the line v = 0 there, from u = 0 on: u runs along it, v at
    right angles to its left. Distortion: photo = ideal + (ideal - centre) (k1 r^2 + k2 r^4),
    r being the distance of the ideal point from the centre in units of `focal_px`.
    """

    size_px: tuple[Count, Count]
    photo_to_mat: tuple[
        tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]
    ]
    axis_mat_mm: list[Point]
    radial: tuple[Plain, Plain] = (0.0, 0.0)
    centre_px: PointPx = (0.0, 0.0)
    focal_px: Annotated[float, Meta(gt=0, le=1e7)] = 1.0


class PartForm(Form, frozen=True, kw_only=True):
    """What one photo of several shows: its own map to the whole lace, and its stretch of u."""

    name: str
    photo: PhotoMapForm
    from_mm: Mm
    to_mm: Mm


class LaceForm(Form, frozen=True, kw_only=True):
    """A length of lace as read.

    Lace millimetres are (u, v): u along the length from its left end, v across it from the
    valley line of the lower edge (from a straight lower edge itself), right side up.
    A closed lace is a ring: its length is once round, u = 0 and u = length_mm are the same
    place, and its lower edge is the outer one.
    Pixels are (x, y) of the upright photo, x right, y down, (0, 0) being the centre of its
    top left pixel.
    """

    name: str
    length_mm: Length
    width_mm: MeasuredForm
    scale: ScaleForm
    lower: EdgeForm
    upper: EdgeForm
    repeat: RepeatForm | None
    symmetry: str | None
    reversible: bool
    shares: SharesForm
    mesh_mm: Length | None
    doubts: list[str]
    photo: PhotoMapForm | None
    outline: TrackForm
    motifs: list[MotifForm]
    beads: list[BeadForm]
    cords: list[TrackForm]
    flaws: list[TrackForm] = field(default_factory=list)
    parts: list[PartForm] = field(default_factory=list)
    closed: bool = False


class PictureForm(Form, frozen=True, kw_only=True):
    """The lace straightened and cut out of its mat, a PNG beside this file.

    Column c and row r show the lace at u = u0_mm + c / px_per_mm, v = v0_mm - r / px_per_mm.
    """

    file: str
    sha256: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
    px_per_mm: Annotated[float, Meta(gt=0, le=1e4)]
    u0_mm: Mm
    v0_mm: Mm


class LaceFile(Form, frozen=True, kw_only=True):
    """A lace record."""

    format: Literal["lacelay-lace"] = "lacelay-lace"
    version: Literal[1] = 1
    photo_file: str | None = None
    picture: PictureForm | None = None
    lace: LaceForm


#: Points of a stored track, named for what may be wrong with it.
_Track = Callable[[str, TrackForm], NDArray[np.float64]]


def lace_form(lace: Lace) -> LaceForm:
    """Return the record as stored; pixels where the lace was read from a photo."""

    def track(points: NDArray[np.float64]) -> TrackForm:
        seen = lace.photo.lace_to_photo(points) if lace.photo is not None and len(points) else None
        if seen is None and lace.photo is not None:
            seen = np.zeros((0, 2))
        return TrackForm(mm=points_mm(points), px=None if seen is None else points_px(seen))

    beads = track(np.array([(bead.u_mm, bead.v_mm) for bead in lace.beads]).reshape(-1, 2))
    return LaceForm(
        name=lace.name,
        length_mm=mm(lace.length_mm),
        width_mm=_measured_form(lace.width_mm),
        scale=ScaleForm(
            px_per_mm=plain(lace.scale.px_per_mm),
            relative_sigma=plain(lace.scale.relative_sigma),
            reference=lace.scale.reference,
        ),
        lower=_edge_form(lace.lower, track(lace.lower.valleys_mm), track(lace.lower.tips_mm)),
        upper=_edge_form(lace.upper, track(lace.upper.valleys_mm), track(lace.upper.tips_mm)),
        repeat=None if lace.repeat is None else _repeat_form(lace.repeat),
        symmetry=lace.symmetry,
        reversible=lace.reversible,
        shares=SharesForm(
            motif=plain(lace.shares.motif),
            ground=plain(lace.shares.ground),
            open=plain(lace.shares.open),
        ),
        mesh_mm=None if lace.mesh_mm is None else mm(lace.mesh_mm),
        doubts=list(lace.doubts),
        photo=None if lace.photo is None else _map_form(lace.photo),
        outline=track(lace.outline_mm),
        motifs=[MotifForm(outline=track(each.outline_mm), kind=each.kind) for each in lace.motifs],
        beads=[
            BeadForm(
                mm=beads.mm[k],
                px=None if beads.px is None else beads.px[k],
                diameter_mm=mm(bead.diameter_mm),
                run=bead.run,
                along=bead.along,
            )
            for k, bead in enumerate(lace.beads)
        ],
        cords=[track(each) for each in lace.cords_mm],
        flaws=[track(each) for each in lace.flaws_mm],
        parts=[
            PartForm(
                name=each.name,
                photo=_map_form(each.photo),
                from_mm=mm(each.from_mm),
                to_mm=mm(each.to_mm),
            )
            for each in lace.parts
        ],
        closed=lace.closed,
    )


def lace_from_form(form: LaceForm) -> Lace:
    """Return the record a form stands for.

    Raises
    ------
    ValueError
        When the form contradicts itself; names the place.
    """
    photo = None if form.photo is None else _map_from(form.photo, closed=form.closed)

    def track(name: str, stored: TrackForm) -> NDArray[np.float64]:
        points = as_points(stored.mm)
        if stored.px is not None:
            _hold_agreement(name, photo, points, as_points(stored.px))
        return points

    with place("lace"):
        return Lace(
            name=form.name,
            length_mm=form.length_mm,
            width_mm=_measured(form.width_mm),
            outline_mm=track("outline", form.outline),
            lower=_edge("lower", form.lower, track),
            upper=_edge("upper", form.upper, track),
            repeat=None if form.repeat is None else _repeat(form.repeat),
            motifs=[
                Motif(track(f"motifs[{k}]", each.outline), each.kind)
                for k, each in enumerate(form.motifs)
            ],
            beads=_beads(form.beads, track),
            shares=Shares(form.shares.motif, form.shares.ground, form.shares.open),
            scale=Scale(form.scale.px_per_mm, form.scale.relative_sigma, form.scale.reference),
            photo=photo,
            cords_mm=[track(f"cords[{k}]", each) for k, each in enumerate(form.cords)],
            mesh_mm=form.mesh_mm,
            symmetry=form.symmetry,
            reversible=form.reversible,
            doubts=form.doubts,
            flaws_mm=[track(f"flaws[{k}]", each) for k, each in enumerate(form.flaws)],
            parts=[
                PhotoPart(each.name, _map_from(each.photo), each.from_mm, each.to_mm)
                for each in form.parts
            ],
            closed=form.closed,
        )


def _hold_agreement(
    name: str,
    photo: PhotoMap | None,
    points: NDArray[np.float64],
    pixels: NDArray[np.float64],
) -> None:
    """Refuse millimetres and pixels that do not mean the same place."""
    if photo is None:
        raise ValueError(f"{name} has pixels, but there is no photo to map them by")
    if points.shape != pixels.shape:
        raise ValueError(f"{name} has {len(points)} points in mm and {len(pixels)} in px")
    if len(points) == 0:
        return
    apart = np.hypot(*(photo.lace_to_photo(points) - pixels).T)
    if not apart.max() <= _AGREEMENT_PX:
        raise ValueError(
            f"point {int(np.argmax(apart))} of {name} lies {float(apart.max()):.1f} px apart in mm "
            "and px (change both, or leave px out)"
        )


def _measured_form(measured: Measured) -> MeasuredForm:
    return MeasuredForm(value=plain(measured.value), sigma=plain(measured.sigma))


def _measured(form: MeasuredForm) -> Measured:
    return Measured(form.value, form.sigma)


def _edge_form(edge: LaceEdge, valleys: TrackForm, tips: TrackForm) -> EdgeForm:
    return EdgeForm(
        scalloped=edge.scalloped,
        valleys=valleys,
        tips=tips,
        pitch_mm=None if edge.pitch_mm is None else _measured_form(edge.pitch_mm),
        depth_mm=None if edge.depth_mm is None else _measured_form(edge.depth_mm),
        per_repeat=edge.per_repeat,
        doubt=edge.doubt,
    )


def _edge(side: Side, form: EdgeForm, track: _Track) -> LaceEdge:
    with place(side):
        return LaceEdge(
            side=side,
            scalloped=form.scalloped,
            valleys_mm=track(f"{side}.valleys", form.valleys),
            tips_mm=track(f"{side}.tips", form.tips),
            pitch_mm=None if form.pitch_mm is None else _measured(form.pitch_mm),
            depth_mm=None if form.depth_mm is None else _measured(form.depth_mm),
            per_repeat=form.per_repeat,
            doubt=form.doubt,
        )


def _repeat_form(repeat: Repeat) -> RepeatForm:
    return RepeatForm(
        length_mm=_measured_form(repeat.length_mm),
        copies=plain(repeat.copies),
        sure=plain(repeat.sure),
        reason=repeat.reason,
    )


def _repeat(form: RepeatForm) -> Repeat:
    with place("repeat"):
        return Repeat(_measured(form.length_mm), form.copies, form.sure, form.reason)


def _beads(forms: Sequence[BeadForm], track: _Track) -> list[Bead]:
    seen = [each.px for each in forms if each.px is not None]
    if seen and len(seen) != len(forms):
        raise ValueError("some beads have pixels and some have none")
    track("beads", TrackForm(mm=[each.mm for each in forms], px=seen or None))
    return [Bead(*each.mm, each.diameter_mm, each.run, each.along) for each in forms]


def _map_form(photo: PhotoMap) -> PhotoMapForm:
    (a, b, c), (d, e, f), (g, h, i) = (
        tuple(significant(value) for value in row) for row in photo.photo_to_mat.tolist()
    )
    return PhotoMapForm(
        size_px=(int(photo.size_px[0]), int(photo.size_px[1])),
        photo_to_mat=((a, b, c), (d, e, f), (g, h, i)),
        axis_mat_mm=points_mm(photo.axis_mat_mm),
        radial=(plain(photo.radial[0]), plain(photo.radial[1])),
        centre_px=(plain(photo.centre_px[0]), plain(photo.centre_px[1])),
        focal_px=plain(photo.focal_px),
    )


def _map_from(form: PhotoMapForm, *, closed: bool = False) -> PhotoMap:
    with place("photo"):
        kind = ClosedMap if closed else PhotoMap
        return kind(
            size_px=form.size_px,
            photo_to_mat=np.array(form.photo_to_mat),
            axis_mat_mm=as_points(form.axis_mat_mm),
            radial=form.radial,
            centre_px=form.centre_px,
            focal_px=form.focal_px,
        )
