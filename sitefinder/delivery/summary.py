"""The stages of the printed output of a run: the summary, and figures for programs."""

from sitefinder import __version__
from sitefinder.report.figures import run_figures
from sitefinder.report.handover import TablesOf, region_of
from sitefinder.report.languages import speaking
from sitefinder.report.summary import Finances, summary_parts
from sitefinder.units import WATTS_PER_KILOWATT
from sitefinder.vocabulary import HEAD_UNRESOLVED

# Columns of the totals that the summary says in a sentence.
OF_ALL_SITES = ("capital_cost", "lcoe_per_kwh", "npv", "irr_percent", "discounted_payback_years")


def make_summary(settings, made):
    """The summary of a run, before and after the files that it wrote.

    Returns
    -------
    tuple of str
        See `sitefinder.report.summary.summary_parts`.
    """
    tables = TablesOf(made)
    region = region_of(tables["totals"])
    with speaking(settings.delivery.language):
        return summary_parts(
            settings.run.name,
            tables,
            energy_p90_mwh=region["energy_mwh_p90"],
            energy_p50_mwh=region["energy_mwh_p50"],
            energy_p10_mwh=region["energy_mwh_p10"],
            year_to_year_sd=settings.uncertainty.year_to_year_sd,
            currency=made["money"].described,
            minimum_heads=tables["minimum_heads"],
            finances=_finances(settings, made["money"].name, region),
            counts_unresolved=HEAD_UNRESOLVED.is_allowed(settings.ranking.allow),
            allow=settings.ranking.allow,
            notes=settings.delivery.notes,
        )


def _finances(settings, money, region):
    costs = settings.costs
    terms = costs.price_per_kwh, costs.own_use_price_per_kwh, costs.real_rate, costs.lifetime_years
    return Finances(
        money,
        *terms,
        power_kw=region["power_w"] / WATTS_PER_KILOWATT,
        **{name: region[name] for name in OF_ALL_SITES},
    )


def make_figures(settings, made):
    """A run's totals, verdicts and best sites as plain values.

    Returns
    -------
    dict
        See `sitefinder.report.figures.run_figures`.
    """
    about = {"title": settings.run.name, "version": __version__, "crs": settings.run.crs}
    return run_figures(about | {"currency": made["money"].described}, TablesOf(made), settings.ranking.allow)
