"""Settings of the sample run with which page, sheets and plate are made in a language."""


def in_language(settings, tag):
    """Settings with another language of the delivery, and all of its printed and shown files.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    tag : str
        Of the language, such as ``de``.

    Returns
    -------
    sitefinder.settings.Settings
    """
    wanted = {"language": tag, "page": True, "field_sheets": 20, "district_map": True}
    return settings.model_copy(update={"delivery": settings.delivery.model_copy(update=wanted)})
