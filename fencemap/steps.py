"""What a step of a pipeline is: one pure function with typed, bounded parameters.

A step is declared where it is written::

    @step(
        makes=("runs", "bays", "panels"),
        longest_bay_m=Real(4.5, unit="m", minimum=0.5, maximum=30, help="..."),
    )
    def order_posts(elements, *, site, longest_bay_m): ...

Positional arguments are the layers it takes, by catalogue name. Keyword-only
arguments are either parameters, declared in the decorator (default, unit,
bounds and help exist only there), or one of `SERVICES`, which the runner
hands in. It returns a mapping with exactly the layers it `makes`; layers that
join (such as `rejected`) may be left out.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar

from fencemap.errors import SiteError

__all__ = [
    "SERVICES",
    "STEP_MODULES",
    "Choice",
    "Integer",
    "Layers",
    "Parameter",
    "Progress",
    "Real",
    "Run",
    "Step",
    "Switch",
    "Text",
    "all_steps",
    "find_step",
    "step",
]

Layers = Mapping[str, Any]

# Modules that hold steps, in the order of the stages. A new module is added here.
STEP_MODULES: tuple[str, ...] = (
    "fencemap.bring_in.steps",
    "fencemap.relate.steps",
    "fencemap.find.steps",
    "fencemap.plan.steps",
    "fencemap.export.steps",
)

# What the runner can hand to a step besides layers and parameters.
SERVICES = ("site", "survey", "ground", "surface", "ortho", "run", "layers", "into")


class Progress(Protocol):
    """Tells how far a step has come; also the place where a run is cancelled."""

    def __call__(self, share: float, text: str = "") -> None:
        """Report that `share` (0 to 1) of the step is done; raises Cancelled when asked to stop."""


class Run(Protocol):
    """What a step may know of the run it is part of (service `run`)."""

    progress: Progress
    generated: str

    def spread(self, function: Callable[..., Any], jobs: Iterable[Any]) -> list[Any]:
        """Apply a picklable function to each job, in order, over the run's workers."""

    def practice(self, key: str) -> Any:
        """Look up a trade default, with the site's own value where it has one."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of a step. Use the subclasses."""

    default: Any
    help: str
    unit: str = ""
    type_name = "value"

    def check(self, value: Any) -> Any:
        """Return the value, rightly typed; ValueError says what is wrong with it."""
        return value


@dataclass(frozen=True, slots=True)
class Real(Parameter):
    """A real number within bounds, in `unit`."""

    minimum: float = float("-inf")
    maximum: float = float("inf")
    type_name = "number"

    def check(self, value: Any) -> Any:
        """Accept int and float within the bounds; refuse nan and yes/no."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"must be a number{self._unit()}")  # noqa: TRY004  one kind for all bad values
        if not self.minimum <= value <= self.maximum:
            raise ValueError(
                f"must lie between {self.minimum:g} and {self.maximum:g}{self._unit()}"
            )
        return float(value)

    def _unit(self) -> str:
        return f" {self.unit}" if self.unit else ""


@dataclass(frozen=True, slots=True)
class Integer(Parameter):
    """A whole number within bounds."""

    minimum: int = 0
    maximum: int = 2**31
    type_name = "whole number"

    def check(self, value: Any) -> Any:
        """Accept int within the bounds."""
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError("must be a whole number")  # noqa: TRY004
        if not self.minimum <= value <= self.maximum:
            raise ValueError(f"must lie between {self.minimum} and {self.maximum}")
        return value


@dataclass(frozen=True, slots=True)
class Switch(Parameter):
    """Yes or no."""

    type_name = "true or false"

    def check(self, value: Any) -> Any:
        """Accept true and false only."""
        if not isinstance(value, bool):
            raise ValueError("must be true or false")  # noqa: TRY004
        return value


@dataclass(frozen=True, slots=True)
class Text(Parameter):
    """A line of text."""

    type_name = "text"

    def check(self, value: Any) -> Any:
        """Accept text only."""
        if not isinstance(value, str):
            raise ValueError("must be text in quotes")  # noqa: TRY004
        return value


@dataclass(frozen=True, slots=True)
class Choice(Parameter):
    """One word of a short list."""

    options: tuple[str, ...] = ()
    type_name = "word"

    def check(self, value: Any) -> Any:
        """Accept one of the options."""
        if value not in self.options:
            raise ValueError(f"must be one of: {', '.join(self.options)}")
        return value


@dataclass(frozen=True, slots=True)
class Step:
    """A registered step: the function and everything the outside needs to know of it."""

    name: str
    stage: str
    function: Callable[..., Any]
    takes: tuple[str, ...]
    makes: tuple[str, ...]
    services: tuple[str, ...]
    parameters: Mapping[str, Parameter]

    @property
    def help(self) -> str:
        """First line of the function's docstring."""
        return (inspect.getdoc(self.function) or "").split("\n", 1)[0]

    def defaults(self) -> dict[str, Any]:
        """Default of every parameter."""
        return {name: parameter.default for name, parameter in self.parameters.items()}


_REGISTRY: dict[str, Step] = {}
_Function = TypeVar("_Function", bound=Callable[..., Any])


def step(*, makes: tuple[str, ...], **parameters: Parameter) -> Callable[[_Function], _Function]:
    """Register a function as a step; see the module's docstring.

    `makes` names the layers it returns, the main one first; export steps name
    the product instead (a file's word, such as ``geopackage``).

    Raises
    ------
    TypeError
        The signature and the declaration disagree (a mistake in the code).
    """

    def register(function: _Function) -> _Function:
        signature = inspect.signature(function).parameters.values()
        keywords = [p.name for p in signature if p.kind is p.KEYWORD_ONLY]
        takes = tuple(p.name for p in signature if p.kind is p.POSITIONAL_OR_KEYWORD)
        services = tuple(name for name in keywords if name in SERVICES)
        declared, used = set(parameters), set(keywords) - set(SERVICES)
        if declared != used:
            raise TypeError(f"{function.__name__}: declared {declared}, signature has {used}")
        stage = function.__module__.split(".")[1]
        made = Step(function.__name__, stage, function, takes, makes, services, dict(parameters))
        if _REGISTRY.get(made.name, made).function.__module__ != function.__module__:
            raise TypeError(f"two steps are called {made.name}")
        _REGISTRY[made.name] = made
        # Defaults live in the declaration only; a direct call gets the same ones.
        function.__kwdefaults__ = {name: p.default for name, p in parameters.items()}
        return function

    return register


def all_steps() -> dict[str, Step]:
    """Load every module that holds steps and list them by name, in stage order."""
    from importlib import import_module

    for module in STEP_MODULES:
        import_module(module)
    order = {module.split(".")[1]: place for place, module in enumerate(STEP_MODULES)}
    found = sorted(_REGISTRY.values(), key=lambda made: order.get(made.stage, len(order)))
    return {made.name: made for made in found}


def find_step(name: str, *, stage: str, where: str = "", file: Path | None = None) -> Step:
    """Find a step by name; only its stage's module is loaded.

    Raises
    ------
    SiteError
        No such step; the message lists close names.
    """
    import difflib
    from importlib import import_module

    module = f"fencemap.{stage}.steps"
    if module in STEP_MODULES:
        import_module(module)
    steps = _REGISTRY if name in _REGISTRY else all_steps()
    if name in steps:
        return steps[name]
    close = difflib.get_close_matches(name, steps, n=3)
    hint = (
        f"did you mean {' or '.join(close)}?" if close else "`fencemap describe steps` lists them."
    )
    raise SiteError.at(
        file or "pipeline",
        f"no step is called '{name}'",
        remedy=hint,
        code="unknown-step",
        column=where,
    )
