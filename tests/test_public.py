"""The public face: the names that other people's code may rely on."""

import inspect

import siteplanner

PUBLIC = {
    "CELL",
    "InputError",
    "LayerInfo",
    "NEIGHBOURS",
    "PatternInfo",
    "Plan",
    "Site",
    "WHOLE_GRID",
    "layer",
    "load_site",
    "make_plan",
    "pattern",
    "radius",
    "write_plan",
    "writer",
}


def test_the_public_names_are_these_and_no_others():
    assert set(siteplanner.__all__) == PUBLIC
    assert len(siteplanner.__all__) == len(PUBLIC)


def test_each_public_name_is_there_and_documented():
    for name in PUBLIC:
        thing = getattr(siteplanner, name)
        if inspect.isclass(thing) or inspect.isfunction(thing):
            assert inspect.getdoc(thing), name
            assert thing.__module__.startswith("siteplanner."), name
        assert f"``{name}``" in siteplanner.__doc__, name


def test_the_main_calls_keep_their_parameters():
    calls = {
        name: list(inspect.signature(getattr(siteplanner, name)).parameters)
        for name in ("load_site", "make_plan", "write_plan")
    }
    assert calls == {
        "load_site": ["path"],
        "make_plan": ["site", "each", "step", "tell"],
        "write_plan": ["site", "target", "sure", "overwrite", "step", "tell"],
    }
