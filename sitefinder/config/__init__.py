"""The settings of a run, and the check that names every problem at once."""

from sitefinder.config.channels import ChannelSettings
from sitefinder.config.checking import checked
from sitefinder.config.choices import Action, Layout
from sitefinder.config.extending import EXTENDS, Joined, join
from sitefinder.config.fitting import FitSettings, check_fit_settings
from sitefinder.config.flows import FlowSettings, GaugeTable
from sitefinder.config.ranking import RankingSettings, ScoreSettings
from sitefinder.config.reserve import (
    PassageSettings,
    ReservePreset,
    ReserveRule,
    ReserveSetting,
)
from sitefinder.config.rules import RuleSettings
from sitefinder.config.settings import (
    FishSettings,
    FlagSettings,
    HeadSettings,
    NetworkSettings,
    RunSettings,
    Settings,
    StretchSettings,
    TerrainSettings,
    check_settings,
)
from sitefinder.config.sources import (
    CovariateSource,
    DemFootprintSource,
    DemSource,
    FlowRegionSource,
    Inputs,
    LayerSource,
    PlantSource,
    Section,
    ShareSource,
    Source,
    StreamSource,
    one_error_stated,
)
from sitefinder.config.worth import (
    CostSettings,
    EnergySettings,
    OffGridSettings,
    Share,
    TailwaterSettings,
    UncertaintySettings,
)

__all__ = [
    "EXTENDS",
    "Action",
    "ChannelSettings",
    "CostSettings",
    "CovariateSource",
    "DemFootprintSource",
    "DemSource",
    "EnergySettings",
    "FishSettings",
    "FitSettings",
    "FlagSettings",
    "FlowRegionSource",
    "FlowSettings",
    "GaugeTable",
    "HeadSettings",
    "Inputs",
    "Joined",
    "LayerSource",
    "Layout",
    "NetworkSettings",
    "OffGridSettings",
    "PassageSettings",
    "PlantSource",
    "RankingSettings",
    "ReservePreset",
    "ReserveRule",
    "ReserveSetting",
    "RuleSettings",
    "RunSettings",
    "ScoreSettings",
    "Section",
    "Settings",
    "Share",
    "ShareSource",
    "Source",
    "StreamSource",
    "StretchSettings",
    "TailwaterSettings",
    "TerrainSettings",
    "UncertaintySettings",
    "check_fit_settings",
    "check_settings",
    "checked",
    "join",
    "one_error_stated",
]
