"""Money of several years and currencies brought to one, by the price index and exchange rates of the cost file."""

from typing import NamedTuple

from sitefinder.errors import ConfigError, all_of, listed
from sitefinder.power.cost_file import CostLaw, Priced


class Conversion(NamedTuple):
    """What was converted, from which money, to which, by which factor, and after whose figures."""

    name: str
    money: str
    to_money: str
    factor: float
    source: str


class OneMoney(NamedTuple):
    """Machine classes and cost file in one currency and year, and what was converted for that."""

    machines: list
    costs: object
    conversions: list


def in_one_money(machines, costs, year=None):
    """Machine classes and costs in the cost file's currency and one year.

    Parameters
    ----------
    machines : list of MachineClass
    costs : CostFile
    year : int, optional
        Absent: the cost file's.

    Returns
    -------
    OneMoney
        The cost file's entries no longer state years of their own.

    Raises
    ------
    ConfigError
        Naming every entry and law for which the price index or an exchange rate is missing.

    Notes
    -----
    A law in another currency is taken over at the exchange rate of its own year, and then follows the prices of
    the cost file's currency. The other way round, its own country's prices first and today's rate after, gives
    another figure.
    """
    year = costs.year if year is None else year
    conversions, problems = [], []

    def factor_of(name, currency, from_year):
        if (currency, from_year) == (costs.currency, year):
            return 1.0
        try:
            factor, sources = _factor(costs, currency, from_year, year)
        except ConfigError as error:
            problems.append(f"{name}: {error}")
            return 1.0
        money, to_money = f"{currency} of {from_year}", f"{costs.currency} of {year}"
        conversions.append(Conversion(name, money, to_money, factor, "; ".join(sources)))
        return factor

    changes = {}
    for name in type(costs).model_fields:
        entry = getattr(costs, name)
        if isinstance(entry, Priced):
            changes[name] = _restated(entry, name, costs, year, factor_of)
    restated = costs.model_copy(update=changes | {"year": year})
    machines = [
        machine.model_copy(
            update={"cost": _law_restated(machine.cost, f"machine {machine.name}", costs, year, factor_of)}
        )
        for machine in machines
    ]
    if problems:
        raise all_of(ConfigError, "money of several years or currencies", problems)
    return OneMoney(machines, restated, conversions)


# An entry of the cost file, with those inside it, in the money of the year.
def _restated(entry, name, costs, year, factor_of):
    factor = factor_of(name, costs.currency, entry.price_year or costs.year) if entry.MONEY else 1.0
    changes = {field: getattr(entry, field) * factor for field in entry.MONEY}
    for field in type(entry).model_fields:
        inner = getattr(entry, field)
        if isinstance(inner, Priced):
            changes[field] = _restated(inner, f"{name}.{field}", costs, year, factor_of)
        elif isinstance(inner, CostLaw):
            changes[field] = _law_restated(inner, f"{name}.{field}", costs, year, factor_of)
    return entry.model_copy(update=changes | {"price_year": None})


def _law_restated(law, name, costs, year, factor_of):
    factor = factor_of(name, law.currency, law.year)
    money = {"currency": costs.currency, "year": year}
    return law.model_copy(update={"coefficient": law.coefficient * factor} | money)


# Factor from one money to the cost file's currency in a year, and the sources of its figures.
def _factor(costs, currency, from_year, year):
    factor, sources = 1.0, []
    if currency != costs.currency:
        rates = costs.exchange.get(currency)
        if rates is None:
            known = listed(costs.exchange) or "none"
            raise ConfigError(f"no exchange rates from {currency} to {costs.currency} (found {known})")
        factor *= _of_year(rates.by_year, from_year, f"exchange.{currency}")
        sources.append(rates.source)
    if from_year != year:
        if costs.price_index is None:
            raise ConfigError(f"no price_index to get from {from_year} to {year}")
        prices = costs.price_index.by_year
        factor *= _of_year(prices, year, "price_index") / _of_year(prices, from_year, "price_index")
        sources.append(costs.price_index.source)
    return factor, sources


def _of_year(table, year, name):
    if year not in table:
        raise ConfigError(f"{name} has no year {year} (it has {min(table)} to {max(table)})")
    return table[year]
