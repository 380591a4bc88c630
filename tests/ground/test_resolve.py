"""The resolver: order, settings, replacement, promises, and its complaints."""

import dataclasses
import types

import numpy as np
import pytest
from toy_package import install

from siteplanner.base.errors import InputError
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.plugins import LAYERS, Offer, PluginError
from siteplanner.ground import assess, resolve
from siteplanner.ground.layer import CELL, layer


def info(name=""):
    return LayerInfo(title="t", unit="m", method="m", source="s", valid=(0, 1), name=name)


def module(source, name="toy", origin="toy-package"):
    made = types.ModuleType(name)
    made.__dict__.update(layer=layer, info=info, CELL=CELL, np=np)
    exec(source, made.__dict__)
    return resolve.makers_in(made, Offer(LAYERS, "toys", name, origin))


TOY = """
@layer(info("twice"), info("thrice"), reach=CELL)
def multiples(dem):
    return dem * np.float32(2), dem * np.float32(3)

@layer(info(), reach=CELL)
def total(twice, thrice, *, plus=0.0):
    return twice + thrice + np.float32(plus)
"""


class ToyCatalogue:
    """A catalogue of toy layers and the grid they are computed on."""

    def __init__(self, source=TOY):
        makers = module(source)
        self.book = resolve.Catalogue({i.name: m for m in makers for i in m.makes})
        self.dem = np.full((2, 3), 5, dtype=np.float32)
        self.grid = types.SimpleNamespace(shape=self.dem.shape)

    def run(self, wanted, settings=None, keep=None, each=lambda info, values: None):
        settings = settings or {}
        given = {"dem": self.dem, "grid": self.grid}
        order = resolve.check(self.book, wanted, given, settings, "site.toml")
        return resolve.resolve(order, given, keep or wanted, settings, each)


def test_one_function_makes_several_layers_and_each_is_computed_once():
    seen = []
    out = ToyCatalogue().run(["total"], each=lambda i, v: seen.append(i.name))
    assert seen == ["twice", "thrice", "total"]
    assert list(out) == ["total"]
    assert (out["total"] == 25).all()


def test_settings_reach_their_own_layer():
    assert (ToyCatalogue().run(["total"], {"total": {"plus": 1}})["total"] == 26).all()


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"totl": {"plus": 1}}, "layers.totl: no layer function has that name; did you mean"),
        (
            {"total": {"pluss": 1}},
            "layers.total.pluss: this setting does not exist; did you mean 'plus'",
        ),
        ({"multiples": {"x": 1}}, "this layer has no settings"),
    ],
)
def test_a_misspelled_layer_or_setting_is_named_before_anything_runs(settings, words):
    with pytest.raises(InputError) as caught:
        ToyCatalogue().run(["total"], settings)
    assert words in str(caught.value)
    assert str(caught.value).startswith("site.toml, ")


def test_a_missing_layer_names_everyone_who_needs_it():
    source = (
        TOY
        + """
@layer(info(), reach=CELL)
def needs_it(salt): return salt

@layer(info(), reach=CELL)
def needs_it_too(salt): return salt
"""
    )
    with pytest.raises(InputError) as caught:
        ToyCatalogue(source).run(["needs_it", "needs_it_too"])
    assert "salt is needed by layer needs_it, layer needs_it_too" in str(caught.value)


def test_a_circle_of_needs_is_told():
    source = """
@layer(info(), reach=CELL)
def hen(egg): return egg

@layer(info(), reach=CELL)
def egg(hen): return hen
"""
    with pytest.raises(InputError, match=r"in a circle: .*(hen needs egg|egg needs hen)"):
        ToyCatalogue(source).run(["hen"])


@pytest.mark.parametrize(
    ("result", "words"),
    [
        ("dem.astype('float64')", "must be a float32 array"),
        ("dem[:1]", "must be a float32 array of shape"),
        ("3", "not <class 'int'>"),
    ],
)
def test_a_layer_that_breaks_its_promise_is_named_with_its_package(result, words):
    source = f"@layer(info(), reach=CELL)\ndef odd(dem): return {result}"
    with pytest.raises(PluginError, match="layer odd of toy-package") as caught:
        ToyCatalogue(source).run(["odd"])
    assert words in str(caught.value)


def test_a_layer_is_freed_after_its_last_use():
    # The resolver drops its own reference, so a weak one to the freed layer dies.
    import weakref

    alive = {}

    def each(info, values):
        alive[info.name] = weakref.ref(values)
        if info.name == "last":
            assert alive["twice"]() is None

    source = (
        TOY
        + """
@layer(info(), reach=CELL)
def last(total): return total + np.float32(1)
"""
    )
    ToyCatalogue(source).run(["last"], each=each)
    assert alive["last"] is not None


def test_functions_must_name_what_they_need():
    with pytest.raises(PluginError, match=r"takes \*rest: name each layer"):
        module("@layer(info(), reach=CELL)\ndef odd(dem, *rest): return dem")
    with pytest.raises(PluginError, match="has no default"):
        module("@layer(info(), reach=CELL)\ndef odd(dem, *, much): return dem")


SLOPE = '@layer(info("slope"), reach=CELL)\ndef my_slope(dem): return dem'


def test_a_built_in_layer_is_replaced_only_when_the_site_says_so():
    mine = module(SLOPE, origin="better-slopes")
    kept = resolve.catalogue("site.toml", {}, extra=mine)
    assert kept.makers["slope"].origin == "siteplanner"
    taken = resolve.catalogue("site.toml", {"slope": "better-slopes"}, extra=mine)
    assert taken.makers["slope"].origin == "better-slopes"
    assert taken.makers["aspect"].origin == "siteplanner"


def test_replacing_what_is_not_there_is_an_error():
    with pytest.raises(InputError) as caught:
        resolve.catalogue("site.toml", {"slop": "x", "slope": "nobody"}, extra=[])
    assert "plugins.replace.slop: no layer has that name; did you mean 'slope'" in str(caught.value)
    assert "package 'nobody' offers no layer slope" in str(caught.value)


def test_two_packages_with_the_same_layer_are_both_named():
    source = '@layer(info("salt"), reach=CELL)\ndef salt(dem): return dem'
    both = module(source, "a", "package-a") + module(source, "b", "package-b")
    with pytest.raises(InputError, match="layer salt is made by package-a and by package-b"):
        resolve.catalogue("site.toml", {}, extra=both)
    chosen = resolve.catalogue("site.toml", {"salt": "package-b"}, extra=both)
    assert chosen.makers["salt"].origin == "package-b"


def test_every_built_in_layer_is_fully_described():
    from siteplanner.base.symbology.colours import ramp

    book = resolve.catalogue("installed packages", {}, extra=[])
    assert len(book.makers) > 25
    for name, one in book.infos().items():
        assert one.title and one.unit and one.method and one.source, name
        assert one.valid[0] < one.valid[1], name
        assert ramp(one.colours, 3), name
        assert set(book.makers[name].needs) <= set(book.makers) | set(resolve.GIVEN), name


@pytest.mark.parametrize("result", ["dem", "(dem,)", "(dem, dem, dem)", "None"])
def test_another_number_of_layers_than_described_is_named(result):
    source = f"@layer(info('a'), info('b'), reach=CELL)\ndef pair(dem): return {result}"
    with pytest.raises(PluginError, match=r"function pair of toy-package made \d layers, but"):
        ToyCatalogue(source).run(["a"])


def test_a_package_that_offers_a_layer_twice_is_named():
    twice = module(SLOPE, "a", "package-a") + module(SLOPE, "b", "package-a")
    with pytest.raises(InputError, match="package-a offers layer slope twice"):
        resolve.catalogue("site.toml", {}, extra=twice)


@pytest.mark.parametrize(
    ("value", "words"),
    [("toy_bare", "module toy_bare defines no layer"),
     ("toy_bare:x", "toy_bare:x must be a module"),
     ("toy_none", "toy_none could not be imported: ModuleNotFoundError: No module named")],
)  # fmt: skip
def test_a_package_without_layers_is_named(tmp_path, monkeypatch, value, words):
    place = install(tmp_path, "bare", {LAYERS: {"mine": value}}, {"toy_bare.py": "x = 1"})
    monkeypatch.syspath_prepend(place)
    with pytest.raises(InputError) as caught:
        resolve.catalogue("site.toml")
    assert words in str(caught.value)
    assert "plugin bare, entry point mine of siteplanner.layers" in str(caught.value)


KEPT = """
from siteplanner import CELL, LayerInfo, layer
from toy_kept.more import much
INFO = LayerInfo(title="t", unit="m", method="m", source="s", valid=(0, 1))

@layer(INFO, reach=CELL)
def lifted(dem): return dem + much
"""


def test_a_kept_layer_is_made_again_after_another_module_of_its_package_changed(
    tmp_path, monkeypatch
):
    monkeypatch.setenv("SITEPLANNER_CACHE", str(tmp_path / "cache"))
    files = {"toy_kept/__init__.py": "", "toy_kept/layers.py": KEPT, "toy_kept/more.py": "much = 1"}
    place = install(tmp_path / "lib", "kept", {LAYERS: {"mine": "toy_kept.layers"}}, files)
    monkeypatch.syspath_prepend(place)
    [maker] = [m for m in resolve.offered() if m.origin == "kept"]
    made = []

    def counted(dem):
        made.append(1)
        return maker.function(dem)

    dem = np.zeros((2, 2), np.float32)
    counting = dataclasses.replace(maker, function=counted)
    for _ in range(2):
        assert (assess._cached(counting).function(dem) == 1).all()
    assert len(made) == 1
    (place / "toy_kept" / "more.py").write_text("much = 1 + 0")
    assess._cached(counting).function(dem)
    assert len(made) == 2
