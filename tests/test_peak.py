"""Peak: the largest of the values noted lately."""

from kitwright.peak import Peak


class Clock:
    now = 1_000.0

    def __call__(self) -> float:
        return self.now


def test_peak_is_the_largest_value_of_the_last_spans() -> None:
    clock = Clock()
    peak = Peak(60, clock)
    assert peak.value == 0
    for value in (3, 7, 5):
        peak.note(value)
    assert peak.value == 7

    clock.now += 60
    assert peak.value == 7
    peak.note(4)
    assert peak.value == 7

    clock.now += 60
    assert peak.value == 4
    clock.now += 60
    assert peak.value == 0


def test_peak_forgets_all_after_a_pause() -> None:
    clock = Clock()
    peak = Peak(60, clock)
    peak.note(7)
    clock.now += 1_000
    assert peak.value == 0
    peak.note(1)
    assert peak.value == 1
