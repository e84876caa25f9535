"""What is said of a plug-in that breaks its contract."""

from __future__ import annotations

NOT_FINITE = "it returned a number that is not finite"
NOT_A_MECHANISM = "it is not a subclass of tramwright_solvers.model.contract.Mechanism"
STRUCT_TOO_LOOSE = "its Struct must be frozen, forbid unknown fields and carry its name as tag"
WORDS_WANTED = "its `version` and `needs` must be text"
NOTHING_TO_MOVE = "it returned no adjusters"
ENDS_CROSS = "a condition has its lower end above its upper end"
PARTS_DO_NOT_ADD_UP = "the counts of its parts do not add up to the travels"
OTHER_COLUMN = "a part names an adjuster that does not exist"
OTHER_COLUMN_LIMITED = "`at_most` names an adjuster that does not exist"

BETWEEN = "what runs beside its methods"
LOADING = "loading"


def failed(name: str, origin: str, method: str, fault: str) -> str:
    return (
        f"The plug-in `{name}` ({origin}) failed in `{method}`: {fault}. Neither your request nor this service is at "
        "fault: tell the author of the plug-in, or name another solver in `solve.with`."
    )


def raised(error: BaseException) -> str:
    said = " ".join(str(error).split())[:200]
    return f"it raised {type(error).__name__}{': ' + said if said else ''}"


def too_long(seconds: float) -> str:
    return f"it took longer than the {seconds:g} s that it may take, and has been ended"


def ended(status: int) -> str:
    if status == -9:
        return "its process was killed, as where a host has no memory left"
    how = f"signal {-status}" if status < 0 else f"exit status {status}"
    return f"it ended its process ({how})"


def held(seconds: int, fault: str) -> str:
    return f"A process ended over this same request, which is taken again in {seconds} s. What happened: {fault}"


def not_started(seconds: int, fault: str) -> str:
    return (
        f"The processes of this plug-in have ended so often of late that the next is started in {seconds} s. "
        f"What happened last: {fault or 'those who asked went away before they were answered.'}"
    )


def computes_badly(error: BaseException) -> str:
    return f"what it returned cannot be computed with ({type(error).__name__})"


def no_example(name: str) -> str:
    return f"its example `{name}` is not beside its module"


def example_fails(name: str, said: str) -> str:
    return f"its example `{name}` is not answered: {said}"


def suits_no_more(seconds: float) -> str:
    return f"its `suits` ended its process or took longer than {seconds:g} s"


def wrong_shape(found: object, wanted: object) -> str:
    return f"it returned an array of shape {found}, not {wanted}"


def no_numbers(kind: str) -> str:
    return f"it returned {kind}, not an array of numbers"


def wrong_type(said: str) -> str:
    return f"what it returned is not what the contract wants: {said}"


def id_twice(name: str) -> str:
    return f"two adjusters are called `{name}`"


def pointer_leads_nowhere(name: str, pointer: str) -> str:
    return f"the pointer of `{name}`, `{pointer}`, leads nowhere in the request"


def not_positive(name: str, what: str) -> str:
    return f"the {what} of `{name}` must be positive and finite"


def work_without_turn(name: str) -> str:
    return f"the `work` of `{name}` has no {{turn}} in it"


def after_nobody(name: str) -> str:
    return f"an adjuster goes `after` `{name}`, which it does not have"


def cannot_stay(name: str, lower: float, upper: float) -> str:
    return f"`{name}` cannot stay where it is: its travel is from {lower} to {upper}"


def claims(machine: str) -> str:
    return (
        f"its `suits` says yes to a machine that describes only {machine}, which built-in solvers answer; it must ask "
        "for something of its own, or say no and be named in `solve.with`"
    )


def suits_failed(fault: str) -> str:
    return f"its `suits` failed: {fault}"


def other_contract(written_for: int, spoken: int) -> str:
    return (
        f"it was written for contract {written_for}; this service speaks contract {spoken}: see what has changed in "
        "DEVELOPERS.md, under `Contract`, and declare it"
    )


def undeclared(spoken: int) -> str:
    return (
        "it does not say for which contract it was written: see what has changed in DEVELOPERS.md, under `Contract`, "
        f"and add `contract: ClassVar[int] = {spoken}`"
    )


def name_taken(name: str) -> str:
    return f"the name `{name}` is taken"


def options_without_default(options: list[str]) -> str:
    return f"its options must all have defaults; {', '.join(options)} has none"


def failed_to_load(error: BaseException) -> str:
    return f"it failed to load: {type(error).__name__}: {error}"
