"""What whoever asks a class does with a page's message, be it of a lesson or of exercises."""

from __future__ import annotations

import threading
from collections.abc import Callable

from rig.errors import LessonError
from rig.show.room.asking import Message, Reply
from rig.teach.guesses.guesses import Guesses


def reply_to(
    message: Message,
    take: Callable[[], Reply],
    *,
    lock: threading.Lock,
    taken: Callable[[], None],
) -> Reply:
    """Take a message under a lock, or say why not; of a guess that was taken, tell.

    Parameters
    ----------
    message : Message
    take : callable
        Takes it; raises LessonError where it cannot.
    lock : threading.Lock
        Held while it is taken.
    taken : callable
        Called afterwards, without the lock, where it was no nickname.
    """
    try:
        with lock:
            reply = take()
    except LessonError as problem:
        return Reply(taken=False, said=str(problem))
    if "nickname" not in message:
        taken()
    return reply


def call_page(guesses: Guesses, visitor: str, nickname: str) -> tuple[Guesses, Reply]:
    """Call a page by a nickname, and say what the teacher's table calls it then."""
    named = guesses.call(visitor, nickname)
    said = f"The teacher's table calls this page: {named.labels()[visitor]}"
    return named, Reply(taken=True, said=said)
