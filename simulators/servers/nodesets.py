"""Official nodesets (NodeSet2 files of the OPC Foundation) in a server of this library, with what the library stumbles over cured here.

Rules of this file:
- The files stay as they are published: what has to be different is made so on the way in, and each cure is a function that says why.
- No file is shipped: whoever loads one has it (tests take those of the second stack, tests/peers).
- Cures are for asyncua 2.1; a test loads each file without and with them, so that one that is needed no more shows.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from xml.etree import ElementTree

from asyncua import Server, ua

UA = "{http://opcfoundation.org/UA/2011/03/UANodeSet.xsd}"
HAS_SUBTYPE = ("HasSubtype", "i=45")
BYTE = "i=3"
"""DataType of OPC 10000-6; the smallest of those that an option set of up to 8 bits is of."""
_ID = re.compile(r"(?:ns=(\d+);)?(.+)")

Element = ElementTree.Element
Definitions = Mapping[str, list[Element]]


async def load_nodesets(server: Server, files: Iterable[Path]) -> None:
    """Load official files in the order given, each after those that it requires.

    Raises:
        ValueError: a file is none, or requires a model that was not loaded before it.
    """
    known: dict[str, list[Element]] = {}
    for file in files:
        root = ElementTree.fromstring(file.read_bytes())  # noqa: S314 - a file that whoever loads it has chosen
        there = set(await server.get_namespace_array())
        missing = sorted(set(_required(root)) - there)
        if missing:
            message = f"{file.name}: it requires {', '.join(missing)}; load that before"
            raise ValueError(message)
        uris = ["", *(uri.text or "" for uri in root.iterfind(f"{UA}NamespaceUris/{UA}Uri"))]
        _cure(root, uris, known)
        await _know_simple_types(server, root, uris)
        await server.import_xml(xmlstring=ElementTree.tostring(root, encoding="unicode"))


def _required(root: Element) -> Iterator[str]:
    """The models that a file says it is built on."""
    for model in root.iter(f"{UA}RequiredModel"):
        uri = model.get("ModelUri")
        if uri:
            yield uri


def _cure(root: Element, uris: list[str], known: dict[str, list[Element]]) -> None:
    _without_aliases(root)
    _without_design_nodes(root)
    _without_companion_values(root)
    _without_option_sets(root)
    _whole_structures(root, uris, known)


# --- the cures ---------------------------------------------------------------------------------------------------------------


def _without_aliases(root: Element) -> None:
    """Data types of fields by their node ids: an alias means nothing in another file."""
    aliases = {one.get("Alias"): one.text for one in root.iterfind(f"{UA}Aliases/{UA}Alias")}
    for field in root.iter(f"{UA}Field"):
        name = field.get("DataType")
        if name in aliases:
            field.set("DataType", aliases[name] or "")


def _without_design_nodes(root: Element) -> None:
    """What is there for design tools only has no parent, and the library adds no node without (DI 1.05)."""
    design = [node for node in root if node.get("DesignToolOnly") == "true"]
    for node in design:
        root.remove(node)
    gone = {node.get("NodeId") for node in design}
    for references in root.iter(f"{UA}References"):
        for reference in [one for one in references if one.text in gone]:
            references.remove(reference)


def _without_companion_values(root: Element) -> None:
    """Default values of companion structures stop the import: their class is not there yet when the value is read."""
    for kind in ("UAVariable", "UAVariableType"):
        for node in root.iterfind(f"{UA}{kind}"):
            value = node.find(f"{UA}Value")
            if value is not None and _is_of_a_model(value):
                node.remove(value)


def _is_of_a_model(value: Element) -> bool:
    """Whether a value is, or contains, a structure that is not one of OPC UA's own."""
    ids = [one.text or "" for one in value.iter() if one.tag.endswith("}Identifier")]
    return any(identifier.startswith("ns=") for identifier in ids)


def _without_option_sets(root: Element) -> None:
    """An option set is taken for a structure with unknown fields: it goes without its definition, and fields of it are of its base type."""
    sets: set[str] = set()
    for node in root.iterfind(f"{UA}UADataType"):
        definition = node.find(f"{UA}Definition")
        if definition is not None and definition.get("IsOptionSet") == "true":
            node.remove(definition)
            sets.add(node.get("NodeId") or "")
    for field in root.iter(f"{UA}Field"):
        if field.get("DataType") in sets:
            field.set("DataType", BYTE)


async def _know_simple_types(server: Server, root: Element, uris: list[str]) -> None:
    """Other names for a String, a UInt32 ...: one whose name the library has already is not noted for the node that it is here.

    It has it from the core (TrimmedString of MachineVision), or from another server of this process with other namespace indices.
    """
    for node in root.iterfind(f"{UA}UADataType"):
        name = (node.get("BrowseName") or "").rpartition(":")[2]
        found = _ID.fullmatch(node.get("NodeId") or "")
        if node.find(f"{UA}Definition") is None and hasattr(ua, name) and found and found[1]:
            index = await server.register_namespace(uris[int(found[1])])
            identifier = ua.NodeId.from_string(f"ns={index};{found[2]}")
            ua.uatypes.basetype_by_datatype[identifier] = name


def _whole_structures(root: Element, uris: list[str], known: dict[str, list[Element]]) -> None:
    """A file lists a subtype's own fields only, and the library takes them for all: the supertypes' fields are put before them."""
    types = {node.get("NodeId") or "": node for node in root.iterfind(f"{UA}UADataType")}
    for identifier in types:
        _fields(identifier, types, uris, known)


def _fields(
    identifier: str, types: Mapping[str, Element], uris: list[str], known: dict[str, list[Element]]
) -> list[Element]:
    """All fields of a structure, those of its supertypes first; they are put into its definition once."""
    everywhere = _everywhere(identifier, uris)
    node = types.get(identifier)
    if everywhere in known or node is None:
        return known.get(everywhere, [])
    above = _fields(_supertype(node), types, uris, known)
    definition = node.find(f"{UA}Definition")
    own = [] if definition is None else list(definition)
    if definition is not None and above and definition.get("IsUnion") != "true":
        for position, field in enumerate(above):
            definition.insert(position, _in(uris, field))
    known[everywhere] = [*above, *(_absolute(uris, field) for field in own)]
    return known[everywhere]


def _supertype(node: Element) -> str:
    for reference in node.iterfind(f"{UA}References/{UA}Reference"):
        inverse = reference.get("IsForward") == "false"
        if inverse and reference.get("ReferenceType") in HAS_SUBTYPE:
            return reference.text or ""
    return ""


def _everywhere(identifier: str, uris: list[str]) -> str:
    """A node id of a file with the URI in place of the file's own index."""
    found = _ID.fullmatch(identifier)
    if found is None or found[1] is None:
        return identifier
    return f"{uris[int(found[1])]};{found[2]}"


def _absolute(uris: list[str], field: Element) -> Element:
    copy = Element(field.tag, dict(field.attrib))
    copy.extend(field)
    copy.set("DataType", _everywhere(field.get("DataType") or "", uris))
    return copy


def _in(uris: list[str], field: Element) -> Element:
    """A field as it is written in a file with these namespaces."""
    copy = Element(field.tag, dict(field.attrib))
    copy.extend(field)
    uri, semicolon, identifier = (field.get("DataType") or "").rpartition(";")
    if semicolon:
        copy.set("DataType", f"ns={uris.index(uri)};{identifier}")
    return copy
