"""What mechanisms say: what a machine lacks, what a move does beside the gap, what can hurt."""

from __future__ import annotations

from collections.abc import Sequence

THREE_SCREW_NEEDS = "three `supports`, not on one line; `screw.lead` where turns are wanted"

FOUR_SCREW_NEEDS = (
    "four `supports` at the corners of a convex figure; for a flexible plate also `bed.thickness`, and "
    "`bed.material` or `bed.youngs_modulus` and `bed.poissons_ratio`"
)

MANY_SCREW_NEEDS = (
    "5 to 16 `supports`, not on one line; for a flexible plate also `bed.thickness`, and `bed.material` or "
    "`bed.youngs_modulus` and `bed.poissons_ratio`"
)

KINEMATIC_NEEDS = "three `supports`, each with a `mount`: cone, vee and flat, or three vees; `mount.axis` for each vee"

RAIL_SHIM_NEEDS = "`rails` with two rails side by side and at least two seats on each"

OUT_OF_ONE_PLANE = "out of one plane"
SIDE_SHIFT_X = "side shift in x"
SIDE_SHIFT_Y = "side shift in y"
TURN_ABOUT_THE_VERTICAL = "turn about the vertical"
REST_X = "point at rest when the bed warms, x"
REST_Y = "point at rest when the bed warms, y"

TRAVELS_TOO_LARGE = (
    "The travels are too large for the bed to follow: on the way its six contacts stop holding it. Give the "
    "supports `travel` bounds, check the readings and their unit, and let the grooves point inwards."
)

SUPPORTS_AT_ONE_PLACE = "The three supports stand at one place; check their x and y."

VEE_NEEDS_AXIS = "A vee needs the direction of its groove: degrees anticlockwise from x."

TRAVELS_MUST_KEEP_A_PLANE = (
    "The plate is rigid, so the travels of its four supports must stay in one plane; else it rocks on two of "
    "them or is bent. Leave all four free to move, or describe three supports."
)

NOTHING_LIMITS_THE_TWIST = (
    "The yield strength of the plate is not given, so no travel was limited by it: before turning a screw, compare the "
    "twisting stress stated here with what the plate's maker allows, or give `bed.yield_strength`."
)
LARGEST_STRESS = "Largest von Mises stress that the twist adds in the plate; close to a screw it is higher."

SCREWS_CAN_BEND_A_PLATE = (
    "Four screws can bend a plate: let its clamps and bolts go first, and read again once it is held."
)

BACKED_OFF_IT_MAY_TIP = "While a screw is backed off the plate may tip or drop: keep fingers out, do not lean on it."

MANY_SCREWS_CAN_BEND_A_PLATE = SCREWS_CAN_BEND_A_PLATE.replace("Four", "More than three")

PLAN_TWISTS_THE_PLATE = (
    "This plan twists the plate on purpose. Never do that to glass, stone, ceramic or cast iron, which break "
    "without warning, nor to a plate with a bonded heater or coating; go in small turns over all four "
    "screws, and stop if a screw turns hard. The maker of the machine has the last word."
)

PLAN_BENDS_THE_PLATE = (
    "This plan bends the plate on purpose. Never do that to glass, stone, ceramic or cast iron, which break "
    "without warning, nor to a plate with a bonded heater or coating; go in small turns over all "
    "screws, and stop if a screw turns hard. The maker of the machine has the last word."
)

TRAVELS_MUST_KEEP_ONE_PLANE = (
    "The plate is rigid, so the travels of its supports must stay in one plane; else some lift off or it is bent. "
    "Leave all free to move, or ask for a flexible plate."
)

ONE_PLANE_IS_KEPT = (
    "The travels keep one plane, so no support lifts off. Should one be found slack afterwards, snug it until it just "
    "touches, without lifting the plate."
)

PLANE_IS_KEPT = "The four travels keep one plane, so no support lifts off and none is loaded more than before."

SLACK_SUPPORT = (
    " Should one of the four be found slack afterwards, the plate rests on the other three and rocks: snug "
    "that screw until it just touches, without lifting the plate."
)

CONDITIONING = (
    "How unevenly the six contacts hold the bed (rotations scaled by the mount's radius): 1 would be equally "
    "firm in every direction; the larger it is, the more a little play at a contact moves the bed."
)

HELD_BY_WEIGHT = (
    "Only weight, springs or magnets keep this bed on its mounts: do not lift or lean on it while turning a "
    "screw, keep fingers out of the gap, and look afterwards that every ball sits in its mount."
)

ZERO_THE_TOOL_AGAIN = "Where the tool meets work already on the bed, set its zero in x and y again."

TURN_SEEN_FROM_ABOVE = "The bed turns this far, anticlockwise seen from above."

POINT_AT_REST = (
    "When the bed warms evenly and what carries it does not, this point of its surface stays where it is and "
    "the rest grows away from it."
)

TURNS_AS_IT_WARMS = " The bed also turns a little, because the grooves do not meet in one point."

SUPPORT_THE_GANTRY = "Before a seat is slackened, lock out the drives and support the gantry; fingers out of the gaps."

ONE_SEAT_AT_A_TIME = (
    "One seat at a time, tightened to the maker's torque before the next, its neighbours eased only where a step says "
    "so; the gantry must run freely all the way."
)

RAILS_MISSING = "`rail-shim` needs the rails and their seats; describe them under `rails`."

RAILS_AT_ONE_PLACE = "The two rails stand at the same place; give each its own."

STOCK_MISSING = "A shimmed seat needs the thicknesses at hand in `stock`."

SUPPORTS_IN_LINE = "The supports lie on one line, so they cannot tilt the bed both ways; check their x and y."


def kinematic_needs_three_supports(count: int) -> str:
    return f"`kinematic` needs exactly three supports; there are {count}."


def freedoms_left(count: int) -> str:
    return f"so {count} of the bed's six freedoms {'is' if count == 1 else 'are'} left free"


def freedoms_too_many(excess: int) -> str:
    return f"so {excess} more than six: the mounts work against each other"


def wrong_mounts(kinds: str, held: int, wrong: str) -> str:
    return (
        f"A cone holds three freedoms, a vee two, a flat one; {kinds} hold {held}, {wrong}. Use a cone, a vee and "
        "a flat, or three vees."
    )


def contacts_do_not_hold(left_free: str) -> str:
    return f"The six contacts do not hold the bed: {left_free}"


def mount_missing(support: str) -> str:
    return f"`kinematic` needs the mount of support `{support}`: `cone`, `vee` or `flat`."


def has_no_groove(kind: str) -> str:
    return f"A {kind} has no groove; leave `axis` out or make it a `vee`."


def can_slide(angle: float) -> str:
    return (
        f"it can slide along the direction {angle:.0f}°, because the grooves run (nearly) side by side. Turn the "
        "grooves so that each points to the middle of the bed."
    )


def can_turn(x: float, y: float) -> str:
    return (
        f"it can turn about a vertical axis near x = {x:.4g}, y = {y:.4g}, because every groove runs round that "
        "point. Turn the grooves so that they point inwards."
    )


def can_tilt(angle: float, x: float, y: float) -> str:
    return (
        f"it can tilt about a line along the direction {angle:.0f}° near x = {x:.4g}, y = {y:.4g}, because the "
        "supports lie (nearly) on that line. Move one of them off it."
    )


def four_screw_needs_four_supports(count: int) -> str:
    return f"`four-screw` needs exactly four supports; there are {count}."


def three_supports_in_line(names: str) -> str:
    return f"The supports {names} lie on one line, so the fourth alone tilts the plate about it; check x and y."


def support_inside_triangle(name: str) -> str:
    return (
        f"Support `{name}` stands inside the triangle of the other three; `four-screw` needs four supports at the "
        "corners of a convex figure. Check x and y, or describe three supports for `three-screw`."
    )


def flexible_plate_needs(name: str, unit: str) -> str:
    return (
        f"A flexible plate needs its `{name}` ({unit}); give it, or a `material` known by name, or ask for a rigid "
        "plate."
    )


def stress_limits_travel(most_stress: float, allowed: float, most_miss: float, unit: str) -> str:
    return (
        f"Twisting the plate may use {most_stress:.0%} of its yield strength ({allowed:.4g} MPa); more travel of "
        f"one diagonal against the other would exceed that. Keep the diagonals within {most_miss:.4g} {unit} of each "
        "other where they cross, or raise `most_stress` if the plate's maker allows it."
    )


def forces_at(doing: str, supports: Sequence[str], forces: Sequence[float]) -> str:
    """Say what force ``doing`` so takes at each support, in N, positive = up."""
    told = ", ".join(
        f"`{support}` {'pushes up' if force > 0 else 'holds down'} {abs(force):.3g} N"
        for support, force in zip(supports, forces, strict=True)
    )
    return (
        f"{doing} the plate takes these forces beside its weight: {told}. A support can hold down only as much "
        f"as weight, spring or clamp gives it; past that the plate lifts off instead of {doing.lower()}."
    )


def many_screw_needs_supports(fewest: int, count: int) -> str:
    return f"`many-screw` needs at least {fewest} supports; there are {count}. Use `three-screw` or `four-screw`."


def supports_too_close(first: str, second: str) -> str:
    return f"Supports `{first}` and `{second}` stand too close to each other to be set apart; check their x and y."


def bending_limits_travel(most_stress: float, allowed: float, support: str) -> str:
    return (
        f"Bending the plate may use {most_stress:.0%} of its yield strength ({allowed:.4g} MPa); around `{support}` it "
        "would be more. Spread the travels over more screws, or raise `most_stress` if the plate's maker allows it."
    )


def bending_stress(support: str) -> str:
    return (
        f"Largest von Mises stress that the bending adds in the plate, one thickness away from `{support}`; closer to "
        "the screw it is higher."
    )


def share_of_yield(most_stress: float) -> str:
    return f"Part of the yield strength that this stress uses; {most_stress:g} is allowed."


def supports_out_of_plane(high: str, low: str) -> str:
    return (
        f"As set, the line through {high} passes this far above the line through {low}: the plate rocks on the "
        "higher pair, or is bent if it is held down."
    )


def side_shift_for_each(units: str, support: str) -> str:
    return f"side shift for each {units} of `{support}`"


def raising_shifts_the_bed(support: str, units: str, in_x: float, in_y: float) -> str:
    return (
        f"Raising `{support}` by 1 {units} moves the middle of the bed by {in_x:+.3g} {units} in x and "
        f"{in_y:+.3g} {units} in y."
    )


def shift_to_the_right(again: str) -> str:
    return f"The middle of the bed goes this far to the right. {again}"


def shift_to_the_rear(again: str) -> str:
    return f"The middle of the bed goes this far to the rear. {again}"


def slide_of_a_contact(warming: float) -> str:
    return f"slide of a contact for {warming:g} °C"


def balls_slide(material: str | None, warming: float, listed: str, unit: str) -> str:
    return (
        f"As {material} warms by {warming:g} °C, the balls slide along their mounts: {listed} ({unit}). Friction "
        "there can hold a little of it back; tap the bed before reading."
    )


def two_rails_needed(count: int, named: str) -> str:
    return f"`rail-shim` needs seats on exactly two rails; these name {count}: {named}."


def one_seat_only(rail: str) -> str:
    return f"Rail `{rail}` has one seat; give it at least two."


def seats_at_one_place(rail: str, along: str) -> str:
    return f"Two seats of rail `{rail}` stand at the same {along}; give each its own place."


BLOCKS_AT_ONE_PLACE = (
    "The two blocks on a rail stand at one place; give the distance between their middles, or 0 if it is not known."
)


def seats_not_along_the_rail(rail: str, along: str) -> str:
    return (
        f"The seats of rail `{rail}` do not lie along {along}; check `along` and their positions, and that the "
        "two rails stand apart."
    )


def only_for_shims(name: str) -> str:
    return f"`{name}` belongs to a seat whose `method` is `shim`."


def nothing_adjustable(needs: str) -> str:
    return f"Nothing here can be adjusted. Describe adjusters ({needs})."


def three_screw_needs_three_supports(count: int) -> str:
    return f"`three-screw` needs exactly three supports; there are {count}."
