"""Changes one place of a module at a time, and reports the changes that its room's tests do not notice.

``python -m tests.mutants bridge/protocol/codec.py --sample 40 tests/protocol`` runs the tests once, then once
for each mutant up to the first failure. A mutant is killed if a test fails, or if the tests take far more
time than without it. Only the bodies of functions are changed, and only in this process: other programs that
a test starts run the code as it is.

The tests are collected once. Each mutant is a fork in which the functions of the module get new code. So a
mutant costs the time of its tests, and not the time of all imports, and the files are never changed. The
first run notes which functions each test calls. The tests that call a function judge its mutants. Random
tests use the same examples each time, so the same command gives the same result.
"""

import argparse
import ast
import builtins
import contextlib
import copy
import gc
import json
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import _lru_cache_wrapper
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest
from hypothesis import Phase, settings

PATIENCE = 5
"""A mutant is killed if its tests take this many times the CPU time of all tests without it."""
LEAST_CPU_S = 10
SWAPS: dict[type[ast.AST], Any] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or,
    ast.Or: ast.And, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}
NOT_CODE = ("annotation", "returns", "args", "decorator_list", "type_params")
FUNCTION = (ast.FunctionDef, ast.AsyncFunctionDef)
CALLED = "_called_with_a_mutant_in_mind"
"""A name in the builtins, for the calls of the first run."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One changed place."""

    line: int
    function: int
    """The first line of the function around it."""
    before: str
    after: str
    code: CodeType

    def __str__(self) -> str:
        return f"line {self.line}: {self.before} -> {self.after}"


def changes_of(node: ast.AST) -> Iterator[ast.AST]:
    """Returns the nodes that may stand in the place of a node."""
    changed: ast.AST
    match node:
        case ast.Compare() if type(node.ops[0]) in SWAPS:
            changed = copy.deepcopy(node)
            changed.ops = [SWAPS[type(node.ops[0])](), *node.ops[1:]]
            yield changed
        case ast.BoolOp() | ast.BinOp() | ast.AugAssign() if type(node.op) in SWAPS:
            changed = copy.deepcopy(node)
            changed.op = SWAPS[type(node.op)]()
            yield changed
        case ast.UnaryOp(op=ast.Not() | ast.USub()):
            yield node.operand
        case ast.Constant(value=bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(value=int() | float() as number):
            yield ast.Constant(number + 1)
        case ast.Name(id=name) if name in NAMES:
            yield ast.Name(NAMES[name], node.ctx)
        case ast.If() | ast.IfExp() | ast.While():
            changed = copy.deepcopy(node)
            changed.test = ast.UnaryOp(ast.Not(), changed.test)
            yield changed
        case ast.Expr(value=ast.Call()) | ast.Raise() | ast.AugAssign():
            yield ast.Pass()
        case _:
            return


def mutants_of(path: Path) -> list[Mutant]:
    """Returns every mutant of a module, in the order of its lines."""
    tree = ast.parse(path.read_text())
    found: list[Mutant] = []

    def walk(node: ast.AST, inside: int) -> None:
        for name, value in ast.iter_fields(node):
            # The arguments of a call have the name of a function's parameters.
            if isinstance(node, ast.JoinedStr) or (name in NOT_CODE and not isinstance(node, ast.Call)):
                continue
            children = value if isinstance(value, list) else [value]
            for at, child in enumerate(children):
                if not isinstance(child, ast.AST):
                    continue
                for changed in changes_of(child) if inside else ():
                    place = children if isinstance(value, list) else None
                    put(node, name, place, at, ast.copy_location(changed, child))
                    ast.fix_missing_locations(tree)
                    code = compile(tree, str(path), "exec", dont_inherit=True)
                    line = getattr(child, "lineno", 0)
                    found.append(Mutant(line, inside, words(child), words(changed), code))
                    put(node, name, place, at, child)
                walk(child, child.lineno if isinstance(child, FUNCTION) else inside)

    walk(tree, inside=0)
    return sorted(found, key=lambda one: one.line)


def noting_calls(path: Path) -> CodeType:
    """Returns the code of a module in which each function first notes that it was called."""
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, FUNCTION):
            note = ast.Expr(ast.Call(ast.Name(CALLED, ast.Load()), [ast.Constant(node.lineno)], []))
            node.body.insert(0, ast.copy_location(note, node.body[0]))
    return compile(ast.fix_missing_locations(tree), str(path), "exec", dont_inherit=True)


def put(node: ast.AST, name: str, place: list[ast.AST] | None, at: int, child: ast.AST) -> None:
    if place is None:
        setattr(node, name, child)
    else:
        place[at] = child


def words(node: ast.AST) -> str:
    return ast.unparse(node).partition("\n")[0]


def codes_in(code: CodeType) -> Iterator[tuple[tuple[str, int], CodeType]]:
    """Returns the code of every function of a module, by its name and first line."""
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield (one.co_qualname, one.co_firstlineno), one
            yield from codes_in(one)


def replace_code(path: Path, code: CodeType) -> None:
    """Gives the functions of a module, wherever they are held, the code of a mutant."""
    codes = dict(codes_in(code))
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename == str(path):
            new = codes.get((one.__code__.co_qualname, one.__code__.co_firstlineno))
            # A closure that lost a variable cannot be changed. Then the mutant counts as a survivor.
            if new is not None and new.co_freevars == one.__code__.co_freevars:
                one.__code__ = new


def caches() -> list[Any]:
    """Returns every function that keeps its results: a kept result hides a mutant, and the call of a test."""
    return [one for one in gc.get_objects() if isinstance(one, _lru_cache_wrapper)]


class Judge:
    """A plugin of pytest that runs the collected tests once for each mutant.

    Args:
        path: the module.
        mutants: its mutants.
    """

    def __init__(self, path: Path, mutants: list[Mutant]) -> None:
        self.path, self.mutants = path, mutants
        self.survivors: list[Mutant] = []
        self.judged = 0
        self._session: pytest.Session | None = None
        self._failed = False
        self._took_s: dict[str, float] = {}
        self._called: dict[str, set[int]] = {}
        self._now: set[int] = set()

    def pytest_sessionstart(self) -> None:
        # After conftest.py, which loads a profile of its own. One failing example is enough, however long.
        settings.register_profile(
            "mutants",
            phases=(Phase.explicit, Phase.generate),
            database=None,
            derandomize=True,
            deadline=None,
        )
        settings.load_profile("mutants")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._failed = self._failed or report.failed
        self._took_s[report.nodeid] = self._took_s.get(report.nodeid, 0.0) + report.duration

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        with tempfile.TemporaryDirectory() as folder:
            kept = Path(folder) / "first"
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            assert self._passes(session.items, None, None, kept), "the tests fail without a mutant"
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            took_s, called = json.loads(kept.read_text())
        cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        say(f"{len(session.items)} tests take {cpu_s:.1f} s of CPU")
        # The quick tests come first, because most mutants are killed by many tests.
        session.items.sort(key=lambda item: took_s.get(item.nodeid, 0.0))
        for number, mutant in enumerate(self.mutants, 1):
            began = time.monotonic()
            items = [item for item in session.items if mutant.function in called.get(item.nodeid, ())]
            survived = self._passes(items, mutant, LEAST_CPU_S + int(PATIENCE * cpu_s), None)
            self.judged += 1
            if survived:
                self.survivors.append(mutant)
            verdict = "survived" if survived else "killed"
            say(f"{number}/{len(self.mutants)} {verdict} in {time.monotonic() - began:.0f} s: {mutant}")
        return True

    def _passes(
        self, items: list[pytest.Item], mutant: Mutant | None, limit_s: int | None, kept: Path | None
    ) -> bool:
        child = os.fork()
        if child:
            _, status = os.waitpid(child, 0)
            return os.waitstatus_to_exitcode(status) == 0
        status = 1
        with contextlib.suppress(BaseException):
            if limit_s is not None:
                resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
                # A mutant that waits for ever uses no CPU.
                signal.alarm(20 * limit_s)
            if mutant is None:
                setattr(builtins, CALLED, lambda line: self._now.add(line))
                replace_code(self.path, noting_calls(self.path))
            else:
                replace_code(self.path, mutant.code)
            kept_results = caches()
            for item, following in zip(items, [*items[1:], None], strict=False):
                for one in kept_results:
                    one.cache_clear()
                self._now = set()
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                self._called[item.nodeid] = self._now
                if self._failed:
                    break
            if kept is not None:
                called = {test: sorted(lines) for test, lines in self._called.items()}
                kept.write_text(json.dumps([self._took_s, called]))
            status = int(self._failed)
        os._exit(status)


def say(line: str) -> None:
    print(line, file=sys.__stderr__, flush=True)


def main() -> None:
    """Reads the command line, and prints the survivors."""
    reader = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    reader.add_argument("module", type=Path)
    reader.add_argument("tests", nargs="+", help="as pytest takes them")
    reader.add_argument("--sample", type=int, default=0, help="how many mutants; 0 for all")
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument("--lines", type=int, nargs="+", default=[], help="only the mutants of these lines")
    asked = reader.parse_args()
    path = asked.module.resolve()
    mutants = mutants_of(path)
    every = len(mutants)
    if asked.lines:
        mutants = [one for one in mutants if one.line in asked.lines]
    if 0 < asked.sample < len(mutants):
        mutants = random.Random(asked.seed).sample(mutants, asked.sample)
    judge = Judge(path, mutants)
    pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-n", "0", *asked.tests], plugins=[judge])
    if judge.judged < len(mutants):
        raise SystemExit(f"{asked.module}: only {judge.judged} of {len(mutants)} mutants were judged")
    killed = len(mutants) - len(judge.survivors)
    say(f"{asked.module}: killed {killed} of {len(mutants)} (of {every} in the module)")
    for one in judge.survivors:
        say(f"survived: {one}")


if __name__ == "__main__":
    main()
