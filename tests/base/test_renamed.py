"""The old name of a layer, wherever a user may have written it, is answered with the new one."""

import dataclasses
import json

import numpy as np
import pytest
from ground.surfaces import grid_of, hills, write_dem
from made_plan import flat_table

from siteplanner.base.errors import InputError
from siteplanner.base.renamed import RENAMED
from siteplanner.ground import resolve
