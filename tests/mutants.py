"""`make mutants`: change the code that judges, a place at a time, and list the changes that no test notices.

mutmut makes the changes. For each one, the tests that reach it run in a process forked from one that has collected them
all, those first that promise most for their time, until one fails or the time for a change is over. `mutants/` keeps
what was found: a second call goes on where the first stopped, and tries what no test noticed with tests that there was
no time for before, as if these were what they were then. `.venv/bin/mutmut show NAME` shows a change.
"""

from __future__ import annotations

import ast
import gc
import hashlib
import json
import os
import random
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from itertools import accumulate, groupby, zip_longest
from pathlib import Path
from time import process_time
from typing import Any

import pytest
from mutmut import __main__ as mutmut
from mutmut.mutation.trampoline import set_mutant_under_test
from mutmut.state import state

NOTICED, SURVIVED, UNREACHED = "noticed", "survived", "reached by no test"
WORDS = {0: SURVIVED, 1: NOTICED, -signal.SIGPROF: "never ends", -signal.SIGALRM: "stuck"}
LONGEST_WAIT = 300
"""Seconds after which a change that waits for something is given up, which does not count as noticed."""


def main(size: int, seed: int, seconds: float, *more: str) -> None:
    """Draw and try `size` changes, all of them where that is 0, each with tests that take so many seconds.

    Of `more` what begins with `audit.` narrows the changes to some modules (`audit.timeline.records`) or functions, and
    the rest are arguments of pytest that narrow the tests.
    """
    modules = tuple(one for one in more if one.startswith("audit."))
    changes = [name for name in made() if name.startswith(modules or "audit.")]
    drawn = random.Random(seed).sample(changes, size or len(changes))
    trial = Trial(drawn, seconds)
    os.chdir("mutants")
    arguments = mutmut.config().pytest_add_cli_args + mutmut.config().pytest_add_cli_args_test_selection
    arguments += [one for one in more if one not in modules]
    # A failure told in pytest's own way takes a second: it parses the changed module, which holds all its changes.
    options = ["--rootdir=.", "-s", "-q", "--tb=native", "-p", "no:cacheprovider"]
    if pytest.main([*options, *arguments], plugins=[trial]):
        sys.exit("the tests fail without any change")
    verdicts = {name: trial.verdicts.get(trial.key(name), "not tried") for name in drawn}
    print(f"\n{len(drawn)} of {len(changes)} changes, seed {seed}")
    for name, verdict in sorted(verdicts.items(), key=lambda item: (item[1], item[0])):
        if not verdict.startswith(NOTICED):
            print(f"{verdict}: {name}")
    from audit.drill.bound import lower_bound  # not before: the tests are to find the changed modules

    noticed = sum(verdict.startswith(NOTICED) or verdict == "never ends" for verdict in verdicts.values())
    print(f"{noticed} noticed; of all changes, with 95 % confidence, at least {lower_bound(noticed, len(drawn)):.4f}")


def made() -> list[str]:
    """Write the changed modules below `mutants/`, where the tests find them; the names of the changes."""
    set_mutant_under_test("mutant_generation")
    Path("mutants").mkdir(exist_ok=True)
    mutmut.copy_src_dir()
    mutmut.copy_also_copy_files()
    mutmut.setup_source_paths()
    mutmut.create_mutants(1)
    changes, paths = mutmut.collect_source_file_mutation_data(mutant_names=())
    without = {
        f"{path.removesuffix('.py').replace('/', '.')}.{name}"
        for path in paths
        for name in of_no_consequence(Path("mutants", path).read_text())
    }
    return sorted({name for _, name, _ in changes} - without)


def of_no_consequence(source: str) -> Iterator[str]:
    """The changes of a module that only take away `strict` of a zip, which checks that there is no defect."""
    functions = {}
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef) and "__mutmut_" in node.name:
            name, _, which = node.name.rpartition("__mutmut_")
            for call in ast.walk(node):
                if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "zip":
                    call.keywords = [keyword for keyword in call.keywords if keyword.arg != "strict"]
            functions[name, which] = ast.dump(ast.Module(node.body, []))
    yield from (
        f"{name}__mutmut_{which}"
        for (name, which), code in functions.items()
        if code == functions[name, "orig"] and which != "orig"
    )


def content_with_any_failure() -> None:
    """That an example fails is enough: the smallest one that does need not be looked for."""
    from hypothesis import Phase, settings  # not before pytest, which has to see its import

    parent = settings.get_profile("repeatable")
    settings.register_profile("until one fails", parent, phases=(Phase.explicit, Phase.generate))
    settings.load_profile("until one fails")


class Trial:
    """A pytest session that, instead of running its tests once, runs them for each change."""

    def __init__(self, drawn: list[str], seconds: float) -> None:
        self.drawn, self.seconds = drawn, seconds
        self.files = {name: Path("mutants", f"{name}.json").absolute() for name in ("reached", "verdicts", "passed")}
        kept = {name: json.loads(file.read_text()) if file.exists() else {} for name, file in self.files.items()}
        self.reached: dict[str, Any] = kept["reached"]
        self.verdicts: dict[str, str] = kept["verdicts"]
        self.passed: dict[str, list[str]] = kept["passed"]
        """The tests that did not notice a change."""
        self.noticed: Counter[tuple[str, str]] = Counter()
        """How many changes of a module, or of a function, each test noticed."""
        for key, verdict in self.verdicts.items():
            if verdict.startswith(NOTICED):
                self.note(key, verdict.removeprefix(f"{NOTICED} by "))
        self.failed = False

    def key(self, name: str) -> str:
        """The name of a change, and what was changed."""
        return f"{name} {state().current_function_hashes.get(name.partition('__mutmut_')[0])}"

    def note(self, name: str, test: str) -> None:
        """Count a change that a test noticed."""
        function = name.partition("__mutmut_")[0]
        for place in (function, function.rpartition(".")[0]):
            self.noticed[place, test] += 1

    def save(self, name: str) -> None:
        """Keep what was learned."""
        self.files[name].write_text(json.dumps(getattr(self, name), indent=0))

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Learn what the tests reach, then try the changes."""
        items = {item.nodeid: item for item in session.items}
        for _, of_file in groupby(session.items, key=lambda item: item.path):
            for item in of_file:
                self.learn(item)
            self.save("reached")
        reaching: dict[str, list[str]] = {}
        for test in items:
            for function in self.reached[test]["functions"]:
                reaching.setdefault(function, []).append(test)
        if not reaching:
            sys.exit("the tests reach nothing that is changed")
        set_mutant_under_test("")
        gc.freeze()
        for number, name in enumerate(self.drawn, 1):
            key = self.key(name)
            if self.verdicts.get(key, SURVIVED) not in (SURVIVED, UNREACHED):
                continue
            start = os.times()
            self.verdicts[key] = self.tried(name, items, reaching.get(name.partition("__mutmut_")[0], []))
            spent = os.times()
            seconds = spent.children_user - start.children_user + spent.children_system - start.children_system
            print(f"{number} {name}: {self.verdicts[key]} ({seconds:.1f} s)", flush=True)
            if number % 50 == 0:
                self.save("verdicts")
                self.save("passed")
        self.save("verdicts")
        self.save("passed")
        return True

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note a failure."""
        self.failed |= report.failed

    def run(self, item: pytest.Item, following: pytest.Item | None) -> bool:
        """Whether a test passes."""
        self.failed = False
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        return not self.failed

    def learn(self, item: pytest.Item) -> None:
        """Which functions a test reaches, and how long it takes, unless that is known of this test and of all these."""

        def digest(functions: list[str]) -> str:
            code = json.dumps([state().current_function_hashes.get(name) for name in functions])
            return hashlib.sha256(code.encode() + item.path.read_bytes()).hexdigest()

        known = self.reached.get(item.nodeid)
        if known and known["digest"] == digest(known["functions"]):
            return
        set_mutant_under_test("stats")
        state()._stats.clear()
        start = process_time()
        if not self.run(item, None):
            sys.exit(f"{item.nodeid} fails without any change")
        seconds, functions = round(process_time() - start, 3), sorted(state()._stats)
        self.reached[item.nodeid] = {"digest": digest(functions), "seconds": seconds, "functions": functions}

    def chosen(self, function: str, tests: list[str]) -> list[str]:
        """Of the tests that reach a change, those that promise most for their time, as long as there is time.

        What noticed another change of the same function comes first.
        """
        module = function.rpartition(".")[0]
        took = {test: 0.02 + float(self.reached[test]["seconds"]) for test in tests}

        def promise(test: str) -> float:
            named = module.rpartition(".")[2] in test
            before = self.noticed[module, test] + 20 * self.noticed[function, test]
            return (0.1 + named + 0.5 * ("twin" in test) + before) / took[test]

        ranked = sorted(tests, key=promise, reverse=True)
        ends = accumulate(took[test] for test in ranked)
        return [test for test, end in zip(ranked, ends, strict=True) if end - took[test] < self.seconds]

    def tried(self, name: str, items: dict[str, pytest.Item], reaching: list[str]) -> str:
        """What becomes of a change, of which these tests reach the function."""
        function = name.partition("__mutmut_")[0]
        passed = self.passed.get(self.key(name), [])
        tests = self.chosen(function, [test for test in reaching if test not in passed])
        if not tests:
            return SURVIVED if reaching else UNREACHED
        ear, mouth = os.pipe()
        child = os.fork()
        if not child:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            os.dup2(1, 2)
            set_mutant_under_test(name)
            content_with_any_failure()
            signal.alarm(LONGEST_WAIT)
            for test, following in zip_longest(tests, tests[1:]):
                signal.setitimer(signal.ITIMER_PROF, 30 + 10 * self.reached[test]["seconds"])
                os.write(mouth, b".")
                if not self.run(items[test], items.get(following)):
                    os._exit(1)
            os._exit(0)
        os.close(mouth)
        with os.fdopen(ear, "rb") as begun:
            last = tests[len(begun.read()) - 1]
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if code == 1:
            self.note(name, last)
        if code == 0:
            self.passed[self.key(name)] = passed + tests
        return f"{NOTICED} by {last}" if code == 1 else WORDS.get(code, f"crashes: {code}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]), *sys.argv[4:])
