"""Each summary with each choice of each of its options, on the demonstration store."""

import pytest

from service.commands.summary import _PER, SUMMARIES
from tests.command_line import run
from tests.handed_over import demo_path

# Choices of each option; a list for those that differ by summary.
CHOICES = {
    "by": {
        "sampled-length": ("catchment", "strahler", "reach", "year", "survey", "catchment,year"),
        "occurrence": ("catchment", "stream", "reach", "site", "year"),
        "change": ("catchment", "stream"),
    },
    "count": {"gaps": ("visited", "sampled"), "next-places": ("3",)},
    "unit": {"detection": ("reach", "site", "segment"), "change": ("reach", "site")},
    "units": ("electric_fishing=minute",),
    "as_of": ("2025-01-01",),
    "represents_m": ("50",),
    "min_order": ("2",),
    "within_m": ("500",),
    "counts": ("visited", "sampled"),
    "weight": ("length_m",),
    "all_estimators": (None,),
    "every_reach": (None,),
    "years": ("2024",),
    "days": ("05-01:09-30", "11-01:02-28"),
    "segment_m": ("150",),
    "covariates": ("stream_order,upstream_length,outlet_distance,night,water_temperature",),
    "coverage": ("0.5",),
    "class_mm": ("20",),
}
NEEDS = {
    "segment_m": ("--unit", "segment"),
    "coverage": ("--per", "gear"),
    "class_mm": ("--per", "class"),
    "every_reach": ("--per", "reach"),
}
OPTION = {
    "units": "--effort-unit",
    "represents_m": "--represents",
    "within_m": "--within",
    "counts": "--fill",
    "years": "--year",
    "days": "--season",
    "segment_m": "--segment-length",
}


def requests():
    for what, (_, own) in SUMMARIES.items():
        yield what, ()
        for name in own:
            if name == "per":
                choices = tuple(_PER[what])
            else:
                given = CHOICES[name]
                choices = given[what] if isinstance(given, dict) else given
            for choice in choices:
                option = OPTION.get(name, "--" + name.replace("_", "-"))
                yield what, (*NEEDS.get(name, ()), option, *([choice] if choice else []))


@pytest.fixture(scope="module")
def demo():
    return demo_path()


@pytest.mark.parametrize(("what", "options"), [*requests()])
def test_answers_or_refuses_in_words(demo, what, options):
    """Frames of a store have categories where those of small tests have texts."""
    chosen = ("--species", "Cottus gobio,Salmo trutta", "--catchment", "C1")
    found = run("summary", demo, what, *chosen, *options)
    assert found.exit_code == 0 or found.stderr.startswith("Error: "), found.output
