"""Which sound devices there are, and which one is meant."""

from __future__ import annotations

from collections.abc import Sequence

from rig.errors import DeviceError
from rig.front_ends.sound_card.link import SoundLink
from rig.front_ends.sound_card.messages import DeviceListing

Device = int | str | tuple[int | str, int | str] | None
"""A number, a name or part of one, one of each for input and output, or the default."""


def list_devices() -> tuple[DeviceListing, ...]:
    """Ask the sound library for its devices; none is no error.

    Raises
    ------
    DeviceError
        Where the library is missing, crashes or hangs.
    """
    with SoundLink() as link:
        return link.listings


def pick_devices(
    listings: Sequence[DeviceListing], device: Device
) -> tuple[DeviceListing, DeviceListing]:
    """Find the input and the output device that are meant.

    A name matches a device that has it as a part of ``name, host API``, in capitals
    or not; one that is the whole name goes before others.

    Returns
    -------
    input, output : DeviceListing
        The same one, where one name or number was given.

    Raises
    ------
    DeviceError
        Where none or several match. The message names the candidates.
    """
    _require_some(listings)
    if device is None:
        return _default(listings, "input"), _default(listings, "output")
    if isinstance(device, tuple):
        return _named(listings, device[0], "input"), _named(listings, device[1], "output")
    found = _named(listings, device, "input and output")
    return found, found


def pick_output(listings: Sequence[DeviceListing], device: int | str | None) -> DeviceListing:
    """Find the output device that is meant; as :func:`pick_devices` does.

    Raises
    ------
    DeviceError
        As :func:`pick_devices`.
    """
    _require_some(listings)
    return _default(listings, "output") if device is None else _named(listings, device, "output")


def _require_some(listings: Sequence[DeviceListing]) -> None:
    if not listings:
        raise DeviceError(
            "no sound device was found; connect one, or start the sound server, "
            "and see `echobench devices`"
        )


def _default(listings: Sequence[DeviceListing], way: str) -> DeviceListing:
    for listing in listings:
        if listing.is_default_input if way == "input" else listing.is_default_output:
            return listing
    fit = [listing for listing in listings if _fits(listing, way)]
    raise DeviceError(f"there is no default {way} device; name one of: {_candidates(fit)}")


def _named(listings: Sequence[DeviceListing], wanted: int | str, way: str) -> DeviceListing:
    if isinstance(wanted, str) and wanted.strip().isdecimal():
        wanted = int(wanted)
    if isinstance(wanted, int):
        matches = [listing for listing in listings if listing.number == wanted]
    else:
        part = wanted.strip().lower()
        matches = [
            listing for listing in listings if part in f"{listing.name}, {listing.host_api}".lower()
        ]
    if not matches:
        raise DeviceError(
            f"sound device {wanted!r}: none of that name or number; "
            f"there are: {_candidates(listings)}"
        )
    fit = [listing for listing in matches if _fits(listing, way)]
    if not fit:
        raise DeviceError(
            f"sound device {wanted!r}: has no {way}, found {_candidates(matches)}; "
            "name one for input and one for output"
        )
    whole = [listing for listing in fit if listing.name.lower() == str(wanted).strip().lower()]
    if len(whole or fit) > 1:
        raise DeviceError(
            f"sound device {wanted!r}: fits several, {_candidates(whole or fit)}; "
            "give more of the name, or the number"
        )
    return (whole or fit)[0]


def _fits(listing: DeviceListing, way: str) -> bool:
    return ("input" not in way or listing.inputs > 0) and (
        "output" not in way or listing.outputs > 0
    )


def _candidates(listings: Sequence[DeviceListing]) -> str:
    return "; ".join(map(str, listings)) or "none"
