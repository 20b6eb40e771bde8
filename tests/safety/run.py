"""One path over the real session: operations go in, every screen and every log is held against the oracle."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from typing import NamedTuple

from diagnose.casework.transfer import export_case, import_case
from diagnose.report.lines import Line
from diagnose.shell.alarm import DEAF
from diagnose.shell.desk import Options
from diagnose.shell.router import Router
from tests.safety.judge import RULES, Broken, Shown, judge, own_entries
from tests.safety.oracle import Picture, picture
from tests.safety.world import World, ear


class Killed(BaseException):
    """The process ends here."""


class Op(NamedTuple):
    """Something that happens.

    start, line, leave; drop: the session is lost without a word; kill: it is lost in the middle of a line, as soon as
    its first entry is on the disk; move: export, and import into another store.
    """

    what: str
    text: str = ""
    site: str = ""


class Found(NamedTuple):
    """A broken rule, with all that led to it."""

    broken: Broken
    script: tuple[Op, ...]

    def told(self) -> str:
        """As lines that can be typed again."""
        rows = [f"{self.broken.rule}: {self.broken.how}"]
        for op in self.script:
            rows.append(f"  > {op.text}" if op.what == "line" else f"  [{op.what} {op.text} {op.site}]".replace(" ]", "]"))
        return "\n".join(rows)


class Run:
    """A path. `tally` counts, `found` holds what was broken, each rule once."""

    def __init__(self, world: World, tally: Counter[str] | None = None) -> None:
        world.assessor.forget()
        self.world, self.k = world, world.k
        self.desks = [world.desk()]
        self.session: Router | None = None
        self.script: list[Op] = []
        self.tally: Counter[str] = Counter() if tally is None else tally
        self.found: list[Found] = []
        self.picture: Picture | None = None
        self.shown = Shown(None, (), "", "", False)
        self._case, self._count = "", 0

    # ---- operations

    def do(self, op: Op) -> None:
        """One operation, and the verdict on what it brought."""
        self.script.append(op)
        if op.what == "start":
            self._enter(Options(op.text, self.world.records[op.site]))
        elif op.what == "line":
            self._line(op.text)
        elif op.what == "kill":
            self._kill(op.text)
        else:
            case = self.session.case.book.case if self.session and self.session.case.book else ""
            if op.what == "leave" and self.session and not self.session.case.finished:
                self._judge(self.session.leave(), None, False)
                case = self.session.case.book.case if self.session.case.book else ""
            if op.what == "move" and case:
                self._move(case)
            if case:
                self._enter(Options(op.text, "", case))

    def _enter(self, options: Options) -> None:
        self.session = Router(self.desks[-1], options)
        self._judge(self.session.start(), None, False)

    def _move(self, case: str) -> None:
        """Into the next store by way of a file; the mark has to be there before anybody opens it."""
        path = self.world.file()
        export_case(self.desks[-1].store, case, path)
        self.desks.append(self.world.desk())
        import_case(self.desks[-1].store, path)
        self._mark()

    def _line(self, text: str) -> None:
        s = self.session
        assert s is not None
        if s.case.finished:
            return
        before, was_opening = self.picture, s.case.opening or s.case.book is None
        heard = ear(text) is not None and text.split(" ")[0].lower() not in DEAF
        told = len(before.raising) if before and s.case.book is not None else 0
        self._judge(s.handle(text), before, not was_opening)
        if heard and (self.picture is None or s.case.book is None or len(self.picture.raising) <= told):
            self._break(Broken("unheard", text))

    def _kill(self, text: str) -> None:
        """Die in the middle of a line. The list of cases has to tell of the danger before anybody opens the case again."""
        s = self.session
        assert s is not None
        if s.case.book is None or s.case.finished:
            return
        store, case = s.case.book.store, s.case.book.case
        append = store.append

        def once(*args: object, **more: object) -> object:
            append(*args, **more)  # type: ignore[arg-type]
            raise Killed

        store.append = once  # type: ignore[method-assign, assignment]
        with suppress(Killed):
            s.handle(text)
        del store.append  # type: ignore[method-assign]
        events = store.events(case)
        if picture(self.k, events).stopped and not store.case(case).stop_use:
            self._break(Broken("mark", "after a kill"))
        self._enter(Options("", "", case))

    def close(self) -> None:
        for desk in self.desks:
            desk.close()
        self.world.tidy()

    # ---- verdict

    def _judge(self, lines: Sequence[Line], before: Picture | None, own: bool) -> None:
        s = self.session
        assert s is not None
        text = "\n".join(line.text for line in lines)
        if "went wrong inside" in text:
            self._break(Broken("failure", next(x for x in text.splitlines() if "wrong inside" in x)))
        self.tally["states"] += 1
        if s.case.book is None or s.case.seen is None:
            self.picture = None
            return
        step = s.case.step
        steps = (*s.case.seen.steps, step) if step is not None and step not in s.case.seen.steps else s.case.seen.steps
        self.shown = Shown(s.case.seen, steps, text, s.prompt, s.case.finished)
        stops = s.case.seen.stop_use
        store, case = s.case.book.store, s.case.book.case
        if (case, store.case(case).events) != (self._case, self._count) or self.picture is None:
            events = store.events(case)
            old = self._count if case == self._case else 0
            same = before if case == self._case else None
            self.picture = picture(self.k, events)
            if own and same is not None:
                for broken in own_entries(self.k, same, self._stops, self.picture, events[old:]):
                    self._break(broken)
            self._count_dangers(same, self.picture)
            self._case, self._count = case, len(events)
        self._stops = stops
        self.tally["offered"] += len(steps)
        self.tally["standing"] += self.picture.unsafe
        for broken in judge(self.k, self.picture, self.shown, before):
            self._break(broken)
        self._mark()

    _stops: tuple = ()  # type: ignore[type-arg]

    def _mark(self) -> None:
        assert self.picture is not None
        must = self.picture.stopped or bool(self._stops)
        if must and not self.desks[-1].store.case(self._case).stop_use:
            self._break(Broken("mark", self._case))

    def _count_dangers(self, before: Picture | None, after: Picture) -> None:
        was = {(d.block, d.place): d for d in before.dangers} if before else {}
        shown = {x.danger for x in self.shown.seen.stop_use} if self.shown.seen else set()
        for d in after.dangers:
            old = was.get((d.block, d.place))
            self.tally["raised"] += d.open and (old is None or not old.open)
            over = not d.open and old is not None and old.open
            self.tally["lifted"] += over and d.block not in shown
            self.tally["stricter"] += over and d.block in shown
        self.tally["heard"] += len(set(after.asked) - set(before.asked if before else ()))

    def _break(self, broken: Broken) -> None:
        assert broken.rule in RULES
        if all(f.broken.rule != broken.rule for f in self.found):
            self.found.append(Found(broken, tuple(self.script)))


def replay(world: World, script: Sequence[Op]) -> Run:
    """A script from its beginning, in a store of its own."""
    run = Run(world)
    try:
        for op in script:
            if run.session is None and op.what != "start":
                continue
            run.do(op)
    finally:
        run.close()
    return run


def shrink(world: World, found: Found) -> Found:
    """The same broken rule with as few operations as leaving some out brings."""
    rule, best = found.broken.rule, found
    size = max(len(best.script) // 2, 1)
    while size:
        at = 1
        while at < len(best.script):
            script = (*best.script[:at], *best.script[at + size :])
            again = next((f for f in replay(world, script).found if f.broken.rule == rule), None)
            if again is not None:
                best = again
            else:
                at += size
        size //= 2
    return best
