"""Signs of methods: whatever a store calls its methods, no two share one."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.drawing.maps import method_entries
from layers.drawing.method_signs import method_signs
from service.reference.method_files import shipped_methods


@given(st.lists(st.text(max_size=12), max_size=30))
def test_no_two_methods_share_a_sign(labels):
    """Every label, even an empty one or one without letters, gives a short sign of its own."""
    methods = pd.Index([f"m{n}" for n in range(len(labels))])
    signs = method_signs(pd.Series(labels, index=methods, dtype=object)).tolist()
    assert len(set(signs)) == len(labels)
    assert all(1 <= len(sign) <= 5 for sign in signs)
    assert all(sign[0].isalnum() or sign[0] == "?" for sign in signs)


def test_a_single_letter_stands_for_one_method_alone():
    """Where two begin alike neither has the bare letter: it would be read as both."""
    signs = method_signs(shipped_methods()["label"])
    firsts = shipped_methods()["label"].str[0]
    for method, sign in signs.items():
        alike = (firsts == firsts[method]).sum()
        assert (len(sign) == 1) == (alike == 1)


def test_signs_do_not_depend_on_what_a_map_shows():
    """A method has the same letters on every map of a store, also where its rival has no record."""
    methods = shipped_methods()
    whole = {
        row["method"]: row["sign"] for row in method_entries(methods, pd.Series(methods.index))
    }
    for method in methods.index:
        (row,) = method_entries(methods, pd.Series([method]))
        assert row["sign"] == whole[method]


@pytest.mark.parametrize(
    ("labels", "signs"),
    [
        (["Kick net", "Kick seine"], ["Kn", "Ks"]),
        (["Hand net", "Hoop net", "Hook"], ["Hn", "Ho", "Hk"]),
        (["Net", "Net"], ["Ne", "Nt"]),
        (["N", "N"], ["N2", "N3"]),
        (["Élan", "Electric"], ["É", "E"]),
    ],
)
def test_signs_on_paper(labels, signs):
    """The rule, case by case."""
    assert method_signs(pd.Series(labels)).tolist() == signs
