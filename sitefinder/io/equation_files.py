"""Equations as an equation file: the TOML that `sitefinder.io.flow_files.read_equations` reads."""

import json
import math
from pathlib import Path


def write_equations(path, equations, remark):
    """Write equations so that reading them again gives the same numbers.

    Parameters
    ----------
    path : path-like
    equations : list of sitefinder.flows.equations.Equation
    remark : str
        What stands at the head of the file, for who opens it.

    Notes
    -----
    Only what differs from an equation's defaults is written. Numbers have as many digits as it takes to read the
    same number again.
    """
    parts = [f"remark = {_value(remark)}"]
    for equation in equations:
        parts.append(_table(equation))
    Path(path).write_text("\n\n".join(parts) + "\n", encoding="utf-8")


def _table(equation):
    told = equation.model_dump(exclude_defaults=True)
    lines = ["[[equations]]"]
    lines += [
        f"{key} = {_value(value)}"
        for key, value in told.items()
        if key not in ("predictors", "terms", "covariance")
    ]
    if "covariance" in told:
        lines += ["covariance = [", *(f"    {_value(row)}," for row in told["covariance"]), "]"]
    for name in ("predictors", "terms"):
        for item in told.get(name, ()):
            lines += ["", f"[[equations.{name}]]", *(f"{key} = {_value(value)}" for key, value in item.items())]
    return "\n".join(lines)


# A value in TOML. Text is written as JSON writes it, whose escapes TOML shares; a dict becomes an inline table.
def _value(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"an equation file holds no {value}")
        return repr(value) if value != int(value) or abs(value) >= 1e16 else f"{value:.1f}"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        inner = ", ".join(f"{json.dumps(key, ensure_ascii=False)} = {_value(item)}" for key, item in value.items())
        return f"{{ {inner} }}"
    return "[" + ", ".join(_value(item) for item in value) + "]"
