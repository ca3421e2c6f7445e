"""Small whole jobs made from parameters, with their true layers: for tests only.

Invented data in the forms that sliced jobs have: the order of lines at a layer change, the
retraction before or after the mark, hops, wipes, labels, false marks in dumps and pictures.
The part is a small lighthouse: a square that narrows as it rises.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

MARKS = {
    "A": "layer_change_z",
    "B": "layer_number",
    "C": "layer_sentence",
    "D": "change_layer_total",
    "E": "layer_object_block",
    "F": "paren_layer",
    "G": "progress_command",
    "H": "geometry",
}
E_PER_MM = 0.033


@dataclass(frozen=True, slots=True)
class TrueLayer:
    """One printed layer: its number within its object, from 1; height; object from 1."""

    layer: int
    z_mm: float
    object_no: int


@dataclass(frozen=True, slots=True)
class SmallJob:
    data: bytes
    layers: tuple[TrueLayer, ...]
    marks: str
    spiral: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What to make. The defaults are the plainest job of a family."""

    marks: str = "A"
    layers: int = 4
    heights_mm: tuple[float, ...] = (0.2,)  # taken in turn
    relative_e: bool = True
    retract: str = "moves"  # moves, firmware, none
    retract_mm: float = 0.8
    hop_mm: float = 0.0
    wipe: bool = False
    labels: str = ""  # "", "comment", "command"
    thumbnail: bool = False
    settings_dump: bool = False
    raft_layers: int = 0
    empty_layers: tuple[int, ...] = ()  # mark without plastic, counted from 1
    objects: int = 1
    spiral: bool = False
    tools: int = 1
    purge: bool = False
    end_code: bool = True
    progress: str = "stats"  # family G: stats, message, percent
    reset_e: bool = False
    centre_mm: tuple[float, float] = (100.0, 90.0)
    size_mm: float = 16.0


@dataclass(slots=True)
class Pen:
    """Writes lines and knows where it is."""

    recipe: Recipe
    lines: list[str] = field(default_factory=list)
    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    e: float = 0.0
    retracted: bool = False

    def say(self, *lines: str) -> None:
        self.lines.extend(lines)

    def _e_word(self, step: float) -> str:
        self.e = round(self.e + step, 5)
        return f"E{num(step if self.recipe.relative_e else self.e)}"

    def travel(self, x: float, y: float, feed: int = 9000) -> None:
        self.x, self.y = x, y
        self.say(f"G1 X{num(x)} Y{num(y)} F{feed}")

    def lay(self, x: float, y: float, feed: int | None = None, z: float | None = None) -> None:
        length = ((x - self.x) ** 2 + (y - self.y) ** 2) ** 0.5
        self.x, self.y = x, y
        up = "" if z is None else f" Z{num(z)}"
        if z is not None:
            self.z = z
        tail = "" if feed is None else f" F{feed}"
        self.say(f"G1 X{num(x)} Y{num(y)}{up} {self._e_word(round(length * E_PER_MM, 5))}{tail}")

    def rise(self, z: float, feed: int = 720) -> None:
        self.z = z
        self.say(f"G1 Z{num(z)} F{feed}")

    def retract(self) -> None:
        if self.retracted or self.recipe.retract == "none":
            return
        self.retracted = True
        if self.recipe.retract == "firmware":
            self.say("G10")
            return
        length = self.recipe.retract_mm
        if self.recipe.wipe:
            self.say(
                ";WIPE_START",
                f"G1 F7200 X{num(self.x - 1.5)} Y{num(self.y)} "
                f"{self._e_word(round(-length * 0.7, 5))}",
                ";WIPE_END",
            )
            self.x -= 1.5
            self.say(f"G1 {self._e_word(round(-length * 0.3, 5))} F2100")
        else:
            self.say(f"G1 {self._e_word(-length)} F2100")

    def unretract(self) -> None:
        if not self.retracted:
            return
        self.retracted = False
        if self.recipe.retract == "firmware":
            self.say("G11")
        elif self.recipe.wipe:
            back = round(self.recipe.retract_mm * 0.7, 5) + round(self.recipe.retract_mm * 0.3, 5)
            self.say(f"G1 {self._e_word(round(back, 5))} F2100")
        else:
            self.say(f"G1 {self._e_word(self.recipe.retract_mm)} F2100")

    def reset_e(self) -> None:
        self.e = 0.0
        self.say("G92 E0")


def num(value: float) -> str:
    """Five decimals at most, no exponent, no -0."""
    text = f"{value:.5f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


@dataclass(frozen=True, slots=True)
class Change:
    """One layer change as the writers of marks see it."""

    number: int  # from 1 within its object, raft included
    total: int
    signed: int  # raft below 0, first layer of the part 0
    z: float
    height: float
    start: tuple[float, float]
    first: bool


def _marks_before_z(pen: Pen, at: Change) -> None:
    pen.say(";LAYER_CHANGE", f";Z:{num(at.z)}", f";HEIGHT:{num(at.height)}", ";BEFORE_LAYER_CHANGE")
    if pen.recipe.reset_e:
        pen.reset_e()
    pen.say(f";{num(at.z)}")
    pen.retract()
    pen.rise(at.z + pen.recipe.hop_mm)
    pen.say(";AFTER_LAYER_CHANGE", f";{num(at.z)}")
    _arrive(pen, at)
    pen.say(";TYPE:Perimeter", ";WIDTH:0.45")


def _arrive(pen: Pen, at: Change) -> None:
    pen.travel(*at.start)
    if pen.z != at.z:
        pen.rise(at.z)
    pen.unretract()


def _mark_after_z(pen: Pen, at: Change) -> None:
    if at.first:
        pen.say(f";LAYER_COUNT:{at.total}", f";LAYER:{at.signed}", "M107")
        pen.retract()
        pen.say(f"G0 F3600 X{num(at.start[0])} Y{num(at.start[1])} Z{num(at.z)}")
        pen.x, pen.y, pen.z = *at.start, at.z
        pen.say(";TYPE:SKIRT")
        pen.unretract()
        return
    pen.retract()
    pen.say(";MESH:NONMESH", f"G0 F600 X{num(pen.x)} Y{num(pen.y + 1)} Z{num(at.z)}")
    pen.y, pen.z = pen.y + 1, at.z
    pen.say(f"G0 F9000 X{num(at.start[0])} Y{num(at.start[1])}")
    pen.x, pen.y = at.start
    pen.say(f";TIME_ELAPSED:{at.number * 11.3:.2f}", f";LAYER:{at.signed}")
    if pen.recipe.reset_e:
        pen.reset_e()
    pen.say(";TYPE:WALL-INNER", ";MESH:lighthouse.stl")
    pen.unretract()


def _mark_sentence(pen: Pen, at: Change) -> None:
    pen.say(f"; layer {at.number}, Z = {at.z:.3f}")
    if pen.recipe.reset_e:
        pen.reset_e()
    pen.retract()
    pen.say("; feature outer perimeter", "; tool H0.200 W0.480")
    pen.rise(at.z + pen.recipe.hop_mm, 1000)
    _arrive(pen, at)


def _mark_with_total(pen: Pen, at: Change) -> None:
    pen.say("; CHANGE_LAYER", f"; Z_HEIGHT: {num(at.z)}", f"; LAYER_HEIGHT: {num(at.height)}")
    pen.retract()
    pen.say(f"; layer num/total_layer_count: {at.number}/{at.total}", f"M73 L{at.number}")
    pen.travel(*at.start, 30000)
    pen.rise(at.z + max(pen.recipe.hop_mm, 0.4))
    pen.say(f"G1 Z{num(at.z)}")
    pen.z = at.z
    pen.unretract()
    pen.say("; FEATURE: Inner wall", "; LINE_WIDTH: 0.42")


def _mark_object_block(pen: Pen, at: Change) -> None:
    if not at.first:
        pen.say("; END_LAYER_OBJECT")
    pen.say(
        f"; BEGIN_LAYER_OBJECT z={at.z:.3f} z_thickness={at.height:.3f}",
        "; 'Perimeter Path', 0.4 wide",
    )
    pen.retract()
    pen.rise(at.z + pen.recipe.hop_mm)
    _arrive(pen, at)


def _mark_paren(pen: Pen, at: Change) -> None:
    if not at.first:
        pen.say("(</layer>)")
    pen.say(f"(<layer> {num(at.z)} )")
    pen.retract()
    pen.rise(at.z + pen.recipe.hop_mm)
    _arrive(pen, at)


def _mark_progress(pen: Pen, at: Change) -> None:
    pen.retract()
    pen.say(
        {
            "stats": f"SET_PRINT_STATS_INFO CURRENT_LAYER={at.number} TOTAL_LAYER={at.total}",
            "message": f"M117 Layer {at.number}/{at.total}",
            "percent": f"M73 L{at.number}",
        }[pen.recipe.progress]
    )
    pen.rise(at.z + pen.recipe.hop_mm)
    _arrive(pen, at)


def _no_mark(pen: Pen, at: Change) -> None:
    pen.retract()
    pen.rise(at.z + pen.recipe.hop_mm)
    _arrive(pen, at)


CHANGES: dict[str, Callable[[Pen, Change], None]] = {
    "A": _marks_before_z,
    "B": _mark_after_z,
    "C": _mark_sentence,
    "D": _mark_with_total,
    "E": _mark_object_block,
    "F": _mark_paren,
    "G": _mark_progress,
    "H": _no_mark,
}

FALSE_MARKS = (
    "; before_layer_gcode = ;BEFORE_LAYER_CHANGE\\n;[layer_z]",
    "; layer_gcode = ;LAYER_CHANGE\\n;LAYER:[layer_num]\\nG92 E0",
    "; note = ; layer 7, Z = 9.900 and ;LAYER:99 in a sentence",
    "; change_layer_gcode = ; CHANGE_LAYER\\n; Z_HEIGHT: 4",
    "; first_layer_height = 0.2",
    "; end_gcode = G1 X99 E5",
)


def make_job(recipe: Recipe) -> SmallJob:
    """The bytes (LF line ends) and what is truly in them."""
    pen = Pen(recipe)
    _start_code(pen)
    truth: list[TrueLayer] = []
    for object_no in range(1, recipe.objects + 1):
        _object(pen, object_no, truth)
    _end_code(pen)
    data = ("\n".join(pen.lines) + "\n").encode("ascii")
    return SmallJob(data, tuple(truth), MARKS[recipe.marks], recipe.spiral)


def _start_code(pen: Pen) -> None:
    recipe = pen.recipe
    pen.say("; made for tests: a small lighthouse")
    if recipe.thumbnail:
        pen.say(
            "; thumbnail begin 16x16 180",
            "; LAYER:3G1X5E9aGVsbG8gd29ybGQgaGVsbG8gd29ybGQgaGVsbG8gd29ybGQgaGVsbG8gd29y",
            ";LAYER_CHANGE",
            ";LAYER:7",
            "; layer 3, Z = 1.000",
            "; Q0hBTkdFX0xBWUVS/+Zz==",
            "; thumbnail end",
        )
    if recipe.marks == "B":
        pen.say(";FLAVOR:Marlin", ";TIME:6666", ";Layer height: 0.2")
    pen.say("M107", "M104 S200", "G28", "G1 Z5 F5000", "M109 S200", "G21", "G90")
    pen.z = 5.0
    pen.say("M83" if recipe.relative_e else "M82", "G92 E0")
    if recipe.purge:
        pen.travel(5, 5)
        pen.rise(0.3)
        pen.lay(65, 5, 1200)
        if not recipe.relative_e:
            pen.reset_e()
        pen.rise(2.0)


def _end_code(pen: Pen) -> None:
    if pen.recipe.marks == "E":
        pen.say("; END_LAYER_OBJECT")
    if pen.recipe.marks == "F":
        pen.say("(</layer>)")
    if pen.recipe.marks == "C":
        pen.say("; layer end")
    pen.retract()
    if pen.recipe.end_code:
        pen.say("; end of the part", f"G1 Z{num(pen.z + 10)} F720", "G1 X5 Y200 F9000")
        pen.say("M104 S0", "M140 S0", "M107")
    pen.say("M84")  # without any end it would be taken for cut off
    if pen.recipe.settings_dump:
        pen.say("; settings follow", *FALSE_MARKS)


def _object(pen: Pen, object_no: int, truth: list[TrueLayer]) -> None:
    recipe = pen.recipe
    cx = recipe.centre_mm[0] + (object_no - 1) * 40
    total = recipe.raft_layers + recipe.layers
    z = 0.0
    printed = 0
    for index in range(total):
        height = recipe.heights_mm[index % len(recipe.heights_mm)]
        z = round(z + height, 5)
        half = recipe.size_mm / 2 - 0.2 * index
        start = (cx - half, recipe.centre_mm[1] - half)
        signed = index - recipe.raft_layers
        if index == 0 and object_no > 1:
            pen.retract()
            pen.rise(round(pen.z + 5, 5))
            pen.travel(*start)
        first = index == 0
        change = Change(index + 1, total, signed, z, height, start, first)
        CHANGES[recipe.marks](pen, change)
        if index + 1 in recipe.empty_layers:
            continue
        printed += 1
        truth.append(TrueLayer(printed, z, object_no))
        if recipe.spiral and index == total - 1:
            _spiral(pen, cx, z, half, truth)
        else:
            _layer(pen, cx, half, index)


def _square(cx: float, cy: float, half: float) -> Iterator[tuple[float, float]]:
    yield cx + half, cy - half
    yield cx + half, cy + half
    yield cx - half, cy + half
    yield cx - half, cy - half


def _layer(pen: Pen, cx: float, half: float, index: int) -> None:
    recipe = pen.recipe
    cy = recipe.centre_mm[1]
    _label(pen, True)
    feed: int | None = 1800
    for x, y in _square(cx, cy, half):
        pen.lay(x, y, feed)
        feed = None
    if index == 1:
        pen.say("M106 S127")
    _label(pen, False)
    if recipe.tools > 1:
        _change_tool(pen, index)
    pen.say(
        {"A": ";TYPE:Solid infill", "B": ";TYPE:FILL", "D": "; FEATURE: Sparse infill"}.get(
            recipe.marks, "; infill"
        )
    )
    pen.retract()
    pen.rise(round(pen.z + 0.3, 5))  # a hop inside the layer is no layer
    pen.travel(cx - half + 1, cy - half + 1)
    pen.rise(round(pen.z - 0.3, 5))
    pen.unretract()
    _label(pen, True)
    pen.lay(cx + half - 1, cy + half - 1, 2400)
    pen.lay(cx + half - 1, cy + half - 1.5)
    pen.lay(cx - half + 1.5, cy - half + 1)
    _label(pen, False)


def _label(pen: Pen, begin: bool) -> None:
    if pen.recipe.labels == "comment":
        pen.say(f"; {'printing' if begin else 'stop printing'} object lighthouse id:0 copy 0")
    elif pen.recipe.labels == "command":
        pen.say(f"EXCLUDE_OBJECT_{'START' if begin else 'END'} NAME=lighthouse_id_0_copy_0")


def _change_tool(pen: Pen, index: int) -> None:
    """Retract, change, prime on a tower."""
    pen.retract()
    pen.say(f"T{(index + 1) % pen.recipe.tools}")
    pen.travel(180, 20)
    pen.unretract()
    pen.lay(190, 20, 1800)
    pen.lay(190, 24)


def _spiral(pen: Pen, cx: float, z: float, half: float, truth: list[TrueLayer]) -> None:
    """Four turns that rise 0.2 mm each."""
    for turn in range(4):
        for quarter, (x, y) in enumerate(_square(cx, pen.recipe.centre_mm[1], half)):
            pen.lay(
                x,
                y,
                1500 if quarter == 0 else None,
                round(z + 0.2 * turn + 0.05 * (quarter + 1), 5),
            )
    del truth[:-1]


def plain_jobs() -> dict[str, SmallJob]:
    """One or more of each family, by name."""
    made: dict[str, SmallJob] = {}
    for letter in MARKS:
        base = Recipe(marks=letter)
        made[f"{letter}_relative"] = make_job(base)
        made[f"{letter}_absolute"] = make_job(replace(base, relative_e=False, hop_mm=0.4))
        made[f"{letter}_firmware_retract"] = make_job(replace(base, retract="firmware"))
        made[f"{letter}_no_retract"] = make_job(replace(base, retract="none"))
        made[f"{letter}_heights"] = make_job(replace(base, heights_mm=(0.3, 0.1, 0.2, 0.15)))
    made["A_full"] = make_job(
        Recipe(
            marks="A",
            wipe=True,
            hop_mm=0.4,
            labels="comment",
            thumbnail=True,
            settings_dump=True,
            reset_e=True,
            relative_e=False,
            purge=True,
        )
    )
    made["B_raft"] = make_job(Recipe(marks="B", raft_layers=2, relative_e=False, thumbnail=True))
    made["B_sequential"] = make_job(Recipe(marks="B", objects=2, relative_e=False))
    made["A_sequential"] = make_job(Recipe(marks="A", objects=3))
    made["A_empty"] = make_job(Recipe(marks="A", empty_layers=(2,), layers=5))
    made["D_tools"] = make_job(Recipe(marks="D", tools=2, settings_dump=True))
    made["A_labels"] = make_job(Recipe(marks="A", labels="command", hop_mm=0.2))
    made["A_spiral"] = make_job(Recipe(marks="A", spiral=True, layers=3, retract="none"))
    made["G_message"] = make_job(Recipe(marks="G", progress="message"))
    made["G_percent"] = make_job(Recipe(marks="G", progress="percent", relative_e=False))
    return made
