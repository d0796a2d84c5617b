"""Text for XML files: whatever a name holds comes out as text of a well-formed file."""

import re
import xml.etree.ElementTree as ElementTree

# What XML 1.0 cannot hold, not even escaped (W3C, "Extensible Markup Language (XML) 1.0", fifth edition, 2008,
# production 2, Char; from memory).
NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
REPLACEMENT = "\ufffd"


def xml_safe(text):
    """Text with each character that XML cannot hold replaced by the replacement character, U+FFFD.

    Examples
    --------
    >>> xml_safe("a\\x07b") == "a\\ufffdb"
    True
    """
    return NOT_IN_XML.sub(REPLACEMENT, str(text))


def add(parent, tag, text=None, **attributes):
    """A new last child of an element; attributes and text are made safe by `xml_safe`."""
    child = ElementTree.SubElement(parent, tag, {name: xml_safe(value) for name, value in attributes.items()})
    if text is not None:
        child.text = xml_safe(text)
    return child


def xml_text(root, declared=True):
    """A whole XML document as text, indented."""
    ElementTree.indent(root, " ")
    head = '<?xml version="1.0" encoding="UTF-8"?>\n' if declared else ""
    return head + ElementTree.tostring(root, encoding="unicode") + "\n"
