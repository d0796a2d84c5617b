"""Licences of inputs with the credit that they ask for."""

# What an attribution says where the licence asks for none.
NO_CREDIT = "none"


def licence_with_credit(licence: str, attribution: str | None) -> str:
    """A licence with the credit that it asks for, as products of a run show it.

    Examples
    --------
    >>> licence_with_credit("CC-BY-4.0", "© National Survey 2024"), licence_with_credit("CC0-1.0", "none")
    ('CC-BY-4.0; © National Survey 2024', 'CC0-1.0')
    """
    return licence if attribution in (None, NO_CREDIT) else f"{licence}; {attribution}"
