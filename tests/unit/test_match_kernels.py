"""What is kept of the compiled kernels is made anew when one of them changes."""

import pytest

from facademap.match.kernels import box, digest_of_kernels, kernels, saw, values


@pytest.mark.parametrize(("module", "name"), [(box, "MOST_SIZES"), (saw, "BISECT_MM")])
def test_digest_tells_a_changed_constant(monkeypatch, module, name):
    before = digest_of_kernels()
    assert digest_of_kernels() == before
    monkeypatch.setattr(module, name, 2 * getattr(module, name))
    assert digest_of_kernels() != before


def test_digest_tells_a_changed_tuple(monkeypatch):
    before = digest_of_kernels()
    monkeypatch.setattr(values, "Box", values.Face)
    assert digest_of_kernels() != before


def test_plain_kernels_are_the_functions_themselves():
    assert kernels(False).layout is saw.layout
