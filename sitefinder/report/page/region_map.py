"""The map as SVG: relief, context, streams by verdict, stretches and sites, in whole units of the map."""

import base64
import io
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup
from PIL import Image

from sitefinder.report.languages import say
from sitefinder.report.map_labels import stream_places
from sitefinder.report.map_signs import actions_on_map, hatch_look, hatch_pattern
from sitefinder.report.page.figures import amount
from sitefinder.report.page.packing import packed_lines
from sitefinder.report.page.sites import stream_name
from sitefinder.report.page.structures import marks_on_map
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import NOT_KNOWN, is_missing, name_of, plain
from sitefinder.vocabulary import VERDICTS

# Units along the longer side of the map: sharp even if a screen shows a thirtieth of it (own choice).
UNITS_ACROSS = 30_000
# Margin about the streams, as a share of their longer side (own choice).
MARGIN_SHARE = 0.03
# Of a large region lines are on a grid with cells of this many units (own choice: less than thinning costs them).
LINE_STEP = 2
# Lines keep the detail of a screen with this width in pixels (own choice: three screens).
PIXELS_ACROSS = 6000
# Maximum number of sites with their rank on the map (own choice: more would overlap).
NUMBERED = 40
# Radius of a site's mark [pixels]: minimum, and addition for the largest plant; with rank and without.
NUMBERED_RADIUS, PLAIN_RADIUS = (7.5, 6.5), (2.5, 3.5)
# Width and height of a window in which the marks have their size before the script sets it [pixels].
USUAL_WINDOW = 680, 540
# Greys of the relief, darkest and brightest, and the quality of its picture [percent] (own choice).
DARKEST, BRIGHTEST, JPEG_QUALITY = 168, 255, 72
# Grey of the ground that the DEM does not show, of which nothing is known; the same in `page.css`.
BEYOND = 214
SITE_LAYERS = (
    ("sites", "Sites by rank; size by installed capacity", ""),
    ("stretches", "Stretches, intake to tailrace", ""),
)
CONDUIT_PARTS = (("headrace", "Headraces"), ("penstock", "Penstocks"))
# Labels of the tooltip of a reach, in order.
REACH_TIP = ("Reach", "Stream", "Verdict", "Rules that apply", "Gross head", "Mean flow", "Site")
AREA_TIP = ("Rule", "What it does", "Feature", "Doubt")
# Distance of the lines of a hatching [pixels].
HATCH_PX = 9.0
# Longest name of a stream on the map [characters].
LONGEST_NAME = 28
CONTEXT_LINES = (
    ("power_lines", "Power lines"),
    ("roads", "Roads"),
    ("districts", "District boundaries"),
)


class Frame(NamedTuple):
    """Extent of the map [m] in the coordinate system of the run, and the length of its unit [m]."""

    west: float
    south: float
    east: float
    north: float
    unit_m: float

    @property
    def width(self):
        """Width in units."""
        return round((self.east - self.west) / self.unit_m)

    @property
    def height(self):
        """Height in units."""
        return round((self.north - self.south) / self.unit_m)

    @property
    def tolerance_m(self):
        """Detail that lines may lose on the map [m]."""
        return max(self.east - self.west, self.north - self.south) / PIXELS_ACROSS

    def places(self, coordinates):
        """Coordinates [m] as whole units from the north-west corner, an array of the same shape."""
        shifted = (np.asarray(coordinates, dtype=np.float64) - (self.west, self.north)) / self.unit_m
        return np.round(shifted * (1, -1)).astype(np.int64)


class Tips(NamedTuple):
    """Texts of tooltips, a list for each thing in the order in which it is drawn."""

    reaches: list  # see `REACH_TIP`
    places: list  # structures, drops and gauges: see `sitefinder.report.page.structures.TIP`
    areas: list  # rule areas: see `AREA_TIP`


def region_map(handover, streams, is_large=False):
    """The map for its template, the tooltips of what it shows, and the lines that its script draws.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    streams : sequence of str
        Name of the stream of each reach, empty for none, as the map writes them along the streams.
    is_large : bool
        Whether the lines are left to the script, which draws those in view with the detail that a screen shows.

    Returns
    -------
    drawn : dict
        ``frame``, ``mark_scale`` (units to a pixel before the script sets it), ``relief`` (address of the picture
        and its place), ``groups`` of streams, ``lakes``, ``lines``, ``settlements``, ``stretches``, ``depleted``
        and ``decided`` (reaches), ``conduits``, ``places`` (structures, drops and gauges by kind), ``areas`` of
        rules by action with ``hatches``, ``stream_names``, ``sites`` and ``layers``: names of the groups that the
        legend switches, and their labels, from the top down.
    tips : Tips
    lines : dict of str to str
        Of a large region, by name of the group on the map, see `sitefinder.report.page.packing.packed_lines`.
    """
    frame = map_frame(handover)
    tolerance_m = frame.tolerance_m
    sites = handover.tables["sites"].sort_values("rank", ascending=False)
    for_script = {}

    def draw(name, lines):
        if not is_large:
            return line_paths(lines, frame, tolerance_m)
        for_script[name] = packed_lines(lines, frame, tolerance_m, LINE_STEP)
        return []

    groups, tips = _streams(handover.tables["reaches"], draw)
    places, place_tips = marks_on_map(handover, frame)
    stretches = _stretches(sites, handover.tables["stretches"])
    diverting = stretches[
        (sites["depleted_length_m"].fillna(0.0) > 0.0).to_numpy() & ~shapely.is_missing(stretches)
    ]
    decided = _decided_lines(handover.tables["reaches"])
    conduits = _conduits(handover.tables["conduits"], draw)
    context = handover.context
    lines = [
        (name, say(label), draw(name, _borders(context[name], name)))
        for name, label in CONTEXT_LINES
        if len(context.get(name, ()))
    ]
    areas, area_tips = _rule_areas(handover.tables["rule_areas"], frame, tolerance_m)
    stream_names = _stream_names(streams, handover.tables["reaches"], frame)
    lakes = polygon_paths(context["lakes"].geometry, frame, tolerance_m) if len(context.get("lakes", ())) else []
    settlements = _settlements(context.get("settlements", ()), frame)
    west, _, east, north = bounds = handover.relief.bounds_m
    (left, top), (right, bottom) = frame.places([(west, north), (east, bounds[1])]).tolist()
    layers = [
        *(((name, say(label), meaning) for name, label, meaning in SITE_LAYERS) if len(sites) else ()),
        *([("depleted", say("Depleted reaches of diversions"), "")] if len(diverting) else []),
        *([("decided", say("Reaches with a decision"), "")] if len(decided) else []),
        *((part, label, "") for part, label, _ in conduits),
        *((f"place-{name}", label, "") for name, label, _, _ in places),
        *(
            (f"verdict-{name}", say("Streams, {verdict}", verdict=say(name)), say(phrase))
            for name, phrase, _ in groups
        ),
        *([("settlements", say("Settlements"), "")] if settlements else []),
        *([("stream-names", say("Stream names"), "")] if stream_names else []),
        *(
            (f"rules-{action.name}", say("Rule areas: {action}", action=say(action.label)), say(action.phrase))
            for action, *_ in areas
        ),
        *((name, label, "") for name, label, _ in lines),
        *([("lakes", say("Lakes"), "")] if lakes else []),
        ("relief", say("Relief"), ""),
    ]
    drawn = {
        "frame": frame,
        "mark_scale": f"{max(frame.width / USUAL_WINDOW[0], frame.height / USUAL_WINDOW[1]):.2f}",
        "relief": (relief_picture(handover.relief), left, top, right - left, bottom - top),
        # Drawn from the bottom up.
        "groups": groups[::-1],
        "lakes": lakes,
        "lines": lines[::-1],
        # The strictest on top.
        "areas": [(action.name, look.stroke, paths) for action, look, paths in areas[::-1]],
        "hatches": [Markup(hatch_pattern(action.name, f"hatch-{action.name}", HATCH_PX)) for action, *_ in areas],
        "key_hatches": [
            Markup(hatch_pattern(action.name, f"key-{action.name}", HATCH_PX)) for action, *_ in areas
        ],
        "stream_names": stream_names,
        "settlements": settlements,
        # Pairs of rank and path; of a large region the script has them, in this order.
        "stretches": list(zip(sites["rank"].tolist(), draw("stretches", stretches), strict=False)),
        "depleted": draw("depleted", diverting) if len(diverting) else None,
        "decided": draw("decided", decided) if len(decided) else None,
        "conduits": conduits,
        # Drawn from the bottom up.
        "places": places[::-1],
        "symbols": {f"place-{name}": mark for name, _, mark, _ in places},
        "sites": _sites(sites, frame),
        "layers": layers,
    }
    return drawn, Tips(tips, place_tips, area_tips), for_script


def map_frame(handover):
    """Extent of the map: the streams with a margin, or the whole relief if there are none."""
    lines = handover.tables["reaches"].geometry.to_numpy()
    return frame_about(lines) if len(lines) else _framed(*handover.relief.bounds_m)


def frame_about(lines):
    """Extent of a map about lines, with a margin, in whole metres.

    Parameters
    ----------
    lines : ndarray of LineString
        At least one.

    Returns
    -------
    Frame
    """
    west, south, east, north = shapely.total_bounds(lines)
    margin_m = max(MARGIN_SHARE * max(east - west, north - south), 1.0)
    edges = np.array([west - margin_m, south - margin_m, east + margin_m, north + margin_m])
    return _framed(*np.round(edges).tolist())


def _framed(west, south, east, north):
    return Frame(west, south, east, north, max(east - west, north - south) / UNITS_ACROSS)


def relief_picture(relief):
    """The relief as the data URL of a JPEG picture in pale greys, one of its own where there are no data."""
    greys = np.round(DARKEST + (BRIGHTEST - DARKEST) / 255.0 * np.arange(256)).astype(np.uint8)
    picture = np.where(relief.known, greys[relief.shade], np.uint8(BEYOND))
    held = io.BytesIO()
    Image.fromarray(picture).save(held, "JPEG", quality=JPEG_QUALITY)
    return Markup("data:image/jpeg;base64," + base64.b64encode(held.getvalue()).decode("ascii"))


def line_paths(lines, frame, tolerance_m):
    """Path data of lines, thinned, one for each; empty for a line that is missing.

    Parameters
    ----------
    lines : sequence of LineString, MultiLineString or None
    frame : Frame
    tolerance_m : float

    Returns
    -------
    list of Markup
        Digits, signs and letters of SVG paths alone: relative lines after each start.

    Examples
    --------
    >>> frame = Frame(0.0, 0.0, 100.0, 100.0, 1.0)
    >>> [str(path) for path in line_paths([shapely.LineString([(0, 100), (10, 90), (10, 0)]), None], frame, 0.1)]
    ['M0 0l10 10 0 90', '']
    """
    given = [None if line is None or pd.isna(line) else line for line in lines]
    shapes = shapely.simplify(np.array(given, dtype=object), tolerance_m)
    return _paths(shapes, frame, "")


def polygon_paths(shapes, frame, tolerance_m):
    """Path data of polygons with their holes, thinned, one for each shape; holes show by the even-odd rule."""
    shapes = shapely.simplify(np.asarray(shapes, dtype=object), tolerance_m)
    return _paths(shapely.boundary(shapes), frame, "z")


# Path data of lines; each part of a line is closed by a letter or left open.
def _paths(shapes, frame, close):
    parts, owner = shapely.get_parts(shapes, return_index=True)
    coordinates, part = shapely.get_coordinates(parts, return_index=True)
    places = frame.places(coordinates)
    steps = np.diff(places, axis=0, prepend=places[:1])
    ends = np.searchsorted(part, np.arange(len(parts) + 1))
    texts = [[] for _ in range(len(shapes))]
    for number, (begin, end) in enumerate(pairwise(ends.tolist())):
        if begin < end:
            x, y = places[begin].tolist()
            line = " ".join(map(str, steps[begin + 1 : end].ravel().tolist())).replace(" -", "-")
            texts[owner[number]].append(f"M{x} {y}l{line}{close}")
    return [Markup("".join(each)) for each in texts]


# One group of lines for each verdict that occurs, the best first, and the texts of all in the order of drawing.
def _streams(reaches, draw):
    groups, tips = [], []
    for verdict in reversed(VERDICTS):
        rows = reaches[reaches["verdict"] == verdict.name]
        if len(rows):
            paths = draw(f"verdict-{verdict.name}", rows.geometry.to_numpy())
            groups.append((verdict.name, verdict.phrase, paths))
            columns = (
                "reach_id", "stream", "reasons", "head_m", "head_se_m", "flow_mean_m3s", "rejection_reason",
            )  # fmt: skip
            decided = _decided(rows)
            texts = [
                [
                    plain(reach),
                    stream_name(stream),
                    say(verdict.name),
                    plain((reasons or say("none")) + decision),
                    say(NOT_KNOWN) if is_missing(head) else f"{amount(head)} ± {amount(error, 'm')}",
                    amount(flow, "m³/s"),
                    say("none: {reason}", reason=say(because)) if because else say("selected as a site"),
                ]
                for reach, stream, reasons, head, error, flow, because, decision in zip(
                    *(rows[name] for name in columns), decided, strict=True
                )
            ]
            # The worst verdict is drawn first.
            tips = texts + tips
    return groups, tips


# Reaches to which a decision applies.
def _decided_lines(reaches):
    if "decision" not in reaches:
        return []
    return reaches.geometry[reaches["decision"].to_numpy() != ""].to_numpy()


# What decisions say of each reach, after the rules that hold there.
def _decided(reaches):
    if "decision" not in reaches:
        return [""] * len(reaches)
    pairs = zip(reaches["decision"], reaches["decision_id"], strict=True)
    return [say("; decision: {says} ({ids})", says=says, ids=ids) if says else "" for says, ids in pairs]


# Areas of rules by action, the strictest first: (action, look, paths), and the tips of all as they are drawn.
def _rule_areas(rule_areas, frame, tolerance_m):
    groups, tips = [], []
    shown = shapely.box(frame.west, frame.south, frame.east, frame.north)
    for action in actions_on_map(rule_areas):
        rows = rule_areas[(rule_areas["action"] == action.name) & rule_areas.intersects(shown).to_numpy()]
        if len(rows):
            cut = shapely.clip_by_rect(rows.geometry.to_numpy(), *shown.bounds)
            groups.append((action, hatch_look(action.name), polygon_paths(cut, frame, tolerance_m)))
            texts = [
                [plain(rule), say(action.label), plain(feature), from_table(plain(doubt))]
                for rule, feature, doubt in zip(rows["rule"], rows["feature_id"], rows["doubt"], strict=True)
            ]
            # The strictest is drawn last.
            tips = texts + tips
    return groups, tips


# Names of streams at their places: (x, y, turn on the map [°], name), the longest stream first.
def _stream_names(streams, reaches, frame):
    found = stream_places(streams, reaches.geometry.to_numpy())
    spots = frame.places([(place.east_m, place.north_m) for place in found]).tolist() if found else []
    return [
        (x, y, round(-place.turn_deg, 1), name_of(place.name, LONGEST_NAME))
        for (x, y), place in zip(spots, found, strict=True)
    ]


# District boundaries, parts of other lines.
def _borders(frame, name):
    shapes = frame.geometry.to_numpy()
    return shapely.boundary(shapes) if name == "districts" else shapes


def _settlements(places, frame):
    if not len(places):
        return []
    spots = frame.places(shapely.get_coordinates(shapely.centroid(places.geometry.to_numpy()))).tolist()
    return [(x, y, plain(name)) for (x, y), name in zip(spots, places["name"], strict=True)]


# The stretch of each site, None where it has none.
def _stretches(sites, stretches):
    by_site = stretches.set_index("site_id")
    by_site = by_site[by_site.index != ""]
    return by_site.geometry.reindex(sites["site_id"]).to_numpy()


# Headraces and penstocks of diversions: (name, label, paths) of those that occur.
def _conduits(conduits, draw):
    found = []
    for part, label in CONDUIT_PARTS:
        own = conduits[conduits["part"] == part] if len(conduits) else conduits
        if len(own):
            found.append((part, say(label), draw(part, own.geometry.to_numpy())))
    return found


# The mark of each site: (rank, x, y, radius, whether its rank is shown).
def _sites(sites, frame):
    if not len(sites):
        return []
    spots = frame.places([(point.x, point.y) for point in sites.geometry]).tolist()
    power = sites["power_kw"].fillna(0.0).to_numpy()
    shares = np.sqrt(power / power.max()) if power.max() > 0 else np.zeros(len(power))
    drawn = []
    for rank, (x, y), share in zip(sites["rank"].tolist(), spots, shares.tolist(), strict=True):
        numbered = rank <= NUMBERED
        base, more = NUMBERED_RADIUS if numbered else PLAIN_RADIUS
        drawn.append((rank, x, y, f"{base + more * share:.1f}", numbered))
    return drawn
