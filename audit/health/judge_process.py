"""The suite judged by great-expectations, in a process of its own: `python -P judge_process.py`.

It imports nothing of the audit. The library's import takes seconds and holds Python's lock: a thread would stop the
rules meanwhile. On stdin comes one JSON object: `suite` as its file has it, and
`facts`, a profile by column. On stdout goes one: `faults`, sentences about the suite, or `results`, for each
expectation how many facts it saw, how many of them have no value, and the positions of those that are not as expected.
"""

from __future__ import annotations

import gc
import json
import logging
import os
import signal
import sys
from difflib import get_close_matches
from typing import Any


def main() -> None:
    """Judge one suite on one profile."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the audit's: it ends this process with itself
    answer, sys.stdout = sys.stdout, sys.stderr  # whatever the library prints is not an answer
    os.environ["GX_ANALYTICS_ENABLED"] = "False"
    logging.disable(logging.WARNING)
    gc.disable()  # looking for garbage is a tenth of the import
    import great_expectations  # noqa: F401  # before reading: the audit is still at work

    asked = json.load(sys.stdin)
    json.dump(judge(asked["suite"], asked["facts"]), answer)
    answer.flush()
    # Taking so much apart again would cost most of a second, and there is nothing to put away.
    os._exit(0)


def judge(suite: dict[str, Any], facts: dict[str, list[Any]]) -> dict[str, Any]:
    """Return `faults` or `results` as said above; RuntimeError where the library left something out or crashed."""
    import great_expectations as gx
    import pandas as pd
    from great_expectations.core.expectation_suite import ExpectationSuite
    from great_expectations.data_context.types.base import (
        DataContextConfig,
        InMemoryStoreBackendDefaults,
        ProgressBarsConfig,
    )
    from great_expectations.expectations.expectation import ColumnMapExpectation
    from great_expectations.expectations.registry import (
        get_expectation_impl,
        list_registered_expectation_implementations,
    )

    # The library drops an expectation that it doesn't know with a line in its log, and an empty suite succeeds.
    known = list_registered_expectation_implementations(ColumnMapExpectation)
    faults = []
    for index, one in enumerate(suite["expectations"]):
        where = f"$.expectations[{index}]"
        if one["type"] not in known:
            near = get_close_matches(one["type"], known, n=1)
            meant = f" (did you mean {near[0]}?)" if near else ""
            faults.append(f"{where}.type: {one['type']!r} is not an expectation about the values of a column{meant}")
            continue
        try:
            get_expectation_impl(one["type"])(**one["kwargs"])
        except (TypeError, ValueError) as error:
            faults.append(f"{where}.kwargs: {one['type']} can't be called so: {' '.join(str(error).split())}")
    if faults:
        return {"faults": faults}
    built = ExpectationSuite(name=suite["name"], expectations=suite["expectations"])
    # By default it makes a folder for web pages that nobody requested.
    stores = InMemoryStoreBackendDefaults(init_temp_docs_sites=False)
    config = DataContextConfig(store_backend_defaults=stores, progress_bars=ProgressBarsConfig(globally=False))
    context = gx.get_context(mode="ephemeral", project_config=config)
    source = context.data_sources.add_pandas("export").add_dataframe_asset("profile")
    batch = source.add_batch_definition_whole_dataframe("facts").get_batch(
        {"dataframe": pd.DataFrame(facts).astype({"value": "float64"})}
    )
    judged = batch.validate(built, result_format={"result_format": "COMPLETE"}).results
    by_id = {(one.expectation_config.meta if one.expectation_config else {})["id"]: one for one in judged}
    wanted = [one["meta"]["id"] for one in suite["expectations"]]
    if sorted(by_id) != sorted(wanted) or len(judged) != len(wanted):
        raise RuntimeError(f"{len(wanted)} expectations were to be judged, {len(judged)} were")
    return {"results": [_told(name, by_id[name]) for name in wanted]}


def _told(name: str, judged: Any) -> dict[str, Any]:
    if crash := _crash(judged.exception_info):
        raise RuntimeError(f"{name}: {crash}")
    result = judged.result
    wrong = [int(row) for row in result.get("unexpected_index_list") or []]
    if bool(judged.success) == bool(wrong):
        raise RuntimeError(f"{name}: success is {judged.success}, with {len(wrong)} facts not as expected")
    return {"facts": result["element_count"], "missing": result.get("missing_count", 0), "wrong": wrong}


def _crash(info: dict[str, Any]) -> str:
    """What went wrong: the library nests it once for each metric where several were requested."""
    nested = [info] if "raised_exception" in info else list(info.values())
    return "; ".join(str(one["exception_message"]) for one in nested if one["raised_exception"])


if __name__ == "__main__":
    main()
