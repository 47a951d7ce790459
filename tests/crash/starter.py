"""Starts the command line again and again without loading it anew: reads one JSON request a line, forks a child for each.

    {"arguments": [...], "log": "FILE"}   → {"process": N}, the child runs `nightfold` with the arguments
    {"wait": N}                           → {"status": S}, its exit status, negative for the signal that ended it

Loading takes most of a short command's time. Children that start loaded let two hundred kills hit the work instead.
"""

from __future__ import annotations

import gc
import json
import os
import sys
import traceback


def run_child(request: dict[str, object]) -> int:
    """The command line in this process, as `python -m nightfold` would run it."""
    from nightfold.cli import main

    log = os.open(str(request["log"]), os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    for stream in (1, 2):
        os.dup2(log, stream)
    try:
        return main([str(a) for a in request["arguments"]])  # type: ignore[attr-defined]
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 1
    except BaseException:
        traceback.print_exc()
        return 70
    finally:
        sys.stdout.flush()
        sys.stderr.flush()


def serve() -> None:
    """Answer requests until standard input ends."""
    import nightfold.campaign
    import nightfold.cli
    import nightfold.fold.stage
    import nightfold.judge.stage
    import nightfold.measure.stage
    import nightfold.picture.stage
    import nightfold.watch.stage

    assert nightfold.campaign is not None
    gc.freeze()
    for line in sys.stdin:
        request = json.loads(line)
        if "wait" in request:
            _, status = os.waitpid(int(request["wait"]), 0)
            answer = {"status": os.waitstatus_to_exitcode(status)}
        else:
            child = os.fork()
            if child == 0:
                os._exit(run_child(request))
            answer = {"process": child}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    serve()
