"""A second process that does part of a run's work meanwhile; where there is none, the first does all of it.

It is told its work through a pipe, piece by piece, as a function of this program and what it is given, and sends back what
came of it. It ends with the pipe, so with the process that started it, however that ends.
"""

from __future__ import annotations

import gc
import importlib
import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

from pipeline.ends_with_parent import ends_with_its_parent

Result = TypeVar("Result")
#: How many processes may work at once, where not as many as there are processors for, two at most.
PROCESSES = "LIMBAUDIT_PROCESSES"
#: Bytes of a piece of work; beyond, sending it takes memory and time that the help is not worth.
MOST_SENT = 200_000_000
#: New objects after which rings of objects are looked for. Pages are made of very many small strings and few rings, so
#: that Python's own number, 700, has it look a thousand times in a run for next to nothing.
OBJECTS_BETWEEN_SWEEPS = 50_000
_HOME = Path(__file__).resolve().parents[1]


class Alone:
    """Nobody helps: a piece of work is done when it is handed over."""

    def begin(self, work: Callable[..., Result], *given: object) -> Callable[[], Result]:
        """Have a piece of work done.

        Returns:
            What waits for its end and gives its result; it raises what the work raised.
        """
        result = work(*given)
        return lambda: result


ALONE = Alone()


class Second(Alone):
    """The second process. It does one piece of work after the other, in the order in which they are handed over.

    Args:
        prepares: Modules it imports at once, while the first process is busy with something else.
    """

    def __init__(self, prepares: tuple[str, ...] = ()) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", __name__, *prepares], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, (str(_HOME), os.environ.get("PYTHONPATH"))))},
        )  # fmt: skip
        self._line = ThreadPoolExecutor(1, "second process")
        self._ended = False

    def begin(self, work: Callable[..., Result], *given: object) -> Callable[[], Result]:
        return self._line.submit(self._done, work, given).result

    def end(self) -> None:
        """Let it go, also amid its work."""
        self._ended = True
        self._process.kill()
        self._process.wait()
        self._line.shutdown(cancel_futures=True)
        for pipe in (self._process.stdin, self._process.stdout):
            assert pipe is not None
            try:
                pipe.close()
            except BrokenPipeError:  # it is gone, and with it who would read the rest
                continue

    def _done(self, work: Callable[..., Result], given: tuple[object, ...]) -> Result:
        """What comes of a piece of work; where it cannot be sent, or its process is gone, it is done here."""
        task = pickle.dumps((work, given), protocol=pickle.HIGHEST_PROTOCOL)
        answer = self._asked(task) if len(task) <= MOST_SENT else None
        if answer is None and self._ended:
            raise CancelledError
        if answer is None:
            return work(*given)
        result, problem = answer
        if problem is not None:
            raise problem
        return result  # type: ignore[no-any-return]

    def _asked(self, task: bytes) -> tuple[Any, BaseException | None] | None:
        """Its answer; None where it is gone."""
        tasks, answers = self._process.stdin, self._process.stdout
        assert tasks is not None
        assert answers is not None
        try:
            tasks.write(task)
            tasks.flush()
            answer: tuple[Any, BaseException | None] = pickle.load(answers)
        except (BrokenPipeError, EOFError, pickle.UnpicklingError):
            return None
        return answer


@contextmanager
def helping_hand(processes: int, prepares: tuple[str, ...] = ()) -> Iterator[Alone]:
    """Somebody to hand work to while the block runs: a second process, or nobody.

    Args:
        processes: How many may work at once.
        prepares: See `Second`.
    """
    if processes < 2 or not sys.executable:
        yield ALONE
        return
    try:
        second = Second(prepares)
    except OSError:  # no room for a further process: slower, and nothing else
        yield ALONE
        return
    try:
        yield second
    finally:
        second.end()


def processes_here() -> int:
    """As many as LIMBAUDIT_PROCESSES says, else two where there are processors for them.

    Raises:
        WrongUse: It says something else than a number.
    """
    from pipeline.errors import WrongUse

    said = os.environ.get(PROCESSES, "")
    if said and not said.isdecimal():
        raise WrongUse(f"{PROCESSES} is {said!r}; it must be a whole number of processes, such as 1.")
    if said:
        return int(said)
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(2, allowed)


def _serve(tasks: BinaryIO, answers: BinaryIO) -> None:
    """Do what comes until nothing comes any more."""
    while True:
        try:
            work, given = pickle.load(tasks)
        except EOFError:
            return
        try:
            answer: tuple[Any, BaseException | None] = (work(*given), None)
        except Exception as problem:  # whatever it is, the first process raises it
            answer = (None, problem)
        pickle.dump(answer, answers, protocol=pickle.HIGHEST_PROTOCOL)
        answers.flush()


def _main(prepares: list[str]) -> None:
    end_with_it = ends_with_its_parent()
    if end_with_it is not None:
        end_with_it()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever breaks off the first process ends this one by it
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what is printed by mistake is no answer
    gc.set_threshold(OBJECTS_BETWEEN_SWEEPS)
    for module in prepares:
        importlib.import_module(module)
    _serve(sys.stdin.buffer, answers)


if __name__ == "__main__":
    _main(sys.argv[1:])
