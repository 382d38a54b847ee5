"""Which device a name, a number or nothing means."""

from __future__ import annotations

import pytest

from rig.errors import DeviceError
from rig.front_ends.sound_card.devices import pick_devices
from rig.front_ends.sound_card.messages import DeviceListing


def listing(number, name, *, api="ALSA", inputs=2, outputs=2, default=False):
    return DeviceListing(
        number=number,
        name=name,
        host_api=api,
        inputs=inputs,
        outputs=outputs,
        default_rate_hz=48000.0,
        is_default_input=default and inputs > 0,
        is_default_output=default and outputs > 0,
    )


CARDS = (
    listing(0, "Front panel", inputs=2, outputs=0),
    listing(1, "Rear panel", inputs=0, outputs=2, default=True),
    listing(2, "Bench box", api="ALSA"),
    listing(3, "Bench box", api="JACK"),
    listing(4, "Bench box two"),
    listing(5, "Pickup", inputs=1, outputs=0, default=True),
)


@pytest.mark.parametrize(
    ("device", "numbers"),
    [
        (2, (2, 2)),
        ("4", (4, 4)),
        ("box TWO", (4, 4)),
        ("bench box, jack", (3, 3)),
        (("front", "rear"), (0, 1)),
        ((5, "rear"), (5, 1)),
        (None, (5, 1)),
    ],
)
def test_a_device_is_found_by_number_part_of_its_name_or_default(device, numbers):
    assert tuple(found.number for found in pick_devices(CARDS, device)) == numbers


@pytest.mark.parametrize(
    ("device", "complaint"),
    [
        ("bench", "'bench': fits several, 2 'Bench box'.*3 'Bench box'.*4 'Bench box two'"),
        (
            "Bench box",
            r"fits several, 2 'Bench box' \(ALSA.*; 3 'Bench box' \(JACK, 2 in, 2 out\);",
        ),
        ("cellar", "'cellar': none of that name or number; there are: 0 'Front panel'"),
        (17, "17: none of that name or number"),
        ("front", "'front': has no input and output, .*name one for input and one for output"),
        (("rear", "front"), "'rear': has no input, "),
    ],
)
def test_a_device_that_is_not_plain_is_refused_with_the_candidates(device, complaint):
    with pytest.raises(DeviceError, match=complaint) as caught:
        pick_devices(CARDS, device)
    assert "\n" not in str(caught.value)


def test_a_whole_name_goes_before_a_longer_one():
    cards = (listing(0, "Box"), listing(1, "Box two"))
    assert pick_devices(cards, "box")[0].number == 0


def test_no_device_at_all_says_so():
    with pytest.raises(DeviceError, match="no sound device was found; connect one"):
        pick_devices((), None)


def test_no_default_names_what_there_is():
    with pytest.raises(DeviceError, match="no default input device; name one of: 2 'Bench box'"):
        pick_devices(CARDS[2:4], None)
