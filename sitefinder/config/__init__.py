"""The settings of a run, and the check that names every problem at once."""

from sitefinder.config.channels import ChannelSettings
from sitefinder.config.checking import checked
from sitefinder.config.fitting import FitSettings, check_fit_settings
from sitefinder.config.flows import FlowSettings, GaugeTable
from sitefinder.config.ranking import RankingSettings, ScoreSettings
from sitefinder.config.reserve import (
    PassageSettings,
    ReservePreset,
    ReserveRule,
    ReserveSetting,
)
from sitefinder.config.settings import (
    Action,
    FishSettings,
    FlagSettings,
    HeadSettings,
    NetworkSettings,
    RuleSettings,
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
    Layout,
    OffGridSettings,
    Share,
    TailwaterSettings,
    UncertaintySettings,
)

__all__ = [
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
    "one_error_stated",
]
