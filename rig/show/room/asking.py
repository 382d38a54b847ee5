"""The seam between the room's page and what asks a class: a prediction, an exercise.

The server (`rig.show.room.room`) knows pages, codes and sockets, and no lesson. What asks knows
questions, answers and when they are closed, and no socket. Between the two stands one object
that satisfies :class:`Asking`, handed over by ``room.ask(asking)``, taken back by
``room.ask(None)``. From then on:

- The server asks ``asked(visitor)`` when a page joins, after each of its messages, and for all
  pages after ``room.tell()``, which whoever changes a question calls (from any thread). What comes
  back is sent to that page as JSON, and is put there as text: nothing in it is ever HTML.
- The page sends an answer or a nickname; the server has checked its kind and length, and how
  often one page may send, and hands it to ``take(visitor, message)``. What comes back is said on
  that page alone.
- ``own(visitor)`` is the page's own sheet, to print or keep: a whole HTML page, which the server
  gives out under ``/own`` with a policy that lets nothing in it run.
- ``picture(key)`` is a question's picture, for exercises, given out under ``/asked/KEY.png``.

All are called on the server's own thread, one at a time, while the window's thread may change
what is asked: an implementation guards itself with a lock, answers at once (no drawing, no file)
and does not raise for anything that a visitor sends. A visitor is an opaque word, another for
each browser that joined; nobody's name or address is behind it, and it is forgotten with the room.
How many are there now, and how many have joined, is ``room.count()``.
"""

from __future__ import annotations

from typing import Protocol, TypedDict

MOST_ANSWER = 80
"""Characters of an answer, which a number or a choice never needs."""

MOST_NICKNAME = 24

MOST_KEY = 40


class Question(TypedDict):
    """One question, as one visitor sees it now.

    Attributes
    ----------
    key : str
        Which question it is: letters, digits, ``-``; comes back with the answer. A page keeps
        what is typed as long as the key stays.
    text : str
    choices : list of str
        Empty where a number is asked for.
    unit : str
        Of that number; empty for none.
    open : bool
        Whether an answer is taken, or may be changed.
    answer : str
        The visitor's own last one as it was taken; empty for none.
    said : str
        What stands below: that it was closed, what was measured, right or wrong.
    picture : str
        What its picture shows, in words; empty where there is none.
    """

    key: str
    text: str
    choices: list[str]
    unit: str
    open: bool
    answer: str
    said: str
    picture: str


class Asked(TypedDict):
    """All that is asked of one visitor now.

    Attributes
    ----------
    heading : str
        Such as the lesson's title and the part; empty for none.
    words : str
        What there is to say above the questions, such as "Talk in pairs, then guess again".
    asks_nickname : bool
        Whether a nickname may be given.
    nickname : str
        The one that was given; empty for none.
    questions : list of Question
        In the order in which they stand.
    own : bool
        Whether :meth:`Asking.own` has something to keep.
    """

    heading: str
    words: str
    asks_nickname: bool
    nickname: str
    questions: list[Question]
    own: bool


class Message(TypedDict, total=False):
    """What a page sent: `key` and `answer`, or `nickname` alone.

    All are strings of printable characters: a key of at most :data:`MOST_KEY`, an answer of at
    most :data:`MOST_ANSWER`, a nickname of at most :data:`MOST_NICKNAME`. Whether they make sense
    is for :meth:`Asking.take` to say.
    """

    key: str
    answer: str
    nickname: str


class Reply(TypedDict):
    """Whether a message was taken, and what is said of it on that page."""

    taken: bool
    said: str


class Asking(Protocol):
    """What is asked of a class, and takes its answers. See the module for who calls it when."""

    def asked(self, visitor: str) -> Asked:
        """Return what is asked of a visitor now."""

    def take(self, visitor: str, message: Message) -> Reply:
        """Take an answer or a nickname; say what became of it."""

    def own(self, visitor: str) -> str:
        """Return the visitor's own sheet, a whole HTML page; empty where there is none."""

    def picture(self, key: str) -> bytes | None:
        """Return the picture of a question, a PNG; None where there is none."""
