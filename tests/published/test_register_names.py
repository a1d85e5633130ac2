"""The names of the profile inspire-sewer are those of the published data specification.

Source, read: D2.8.III.6 Data Specification on Utility and Government Services, Technical
Guidelines, as text of INSPIRE-MIF/technical-guidelines, data/us/dataspecification_us.adoc: feature
catalogues "Common Utility Network Elements" and "Sewer Network", code lists of Annex C.
"""

from __future__ import annotations

from lateralline.handover import load_profile

TYPES = {"SewerPipe", "Appurtenance", "UtilityNetwork"}
ATTRIBUTES = {
    "SewerPipe": {"sewerWaterType", "pipeDiameter", "utilityDeliveryType", "verticalPosition"},
    "Appurtenance": {"appurtenanceType", "specificAppurtenanceType", "verticalPosition"},
    "UtilityNetwork": {"utilityNetworkType", "disclaimer"},
}
WATER = {"combined", "reclaimed", "sanitary", "storm"}
APPURTENANCE = {
    "anode", "barrel", "barScreen", "catchBasin", "cleanOut", "dischargeStructure", "meter", "pump",
    "regulator", "scadaSensor", "thrustProtection", "tideGate", "node", "connection",
    "specificStructure", "mechanicAndElectromechanicEquipment", "rainwaterCollector",
    "watertankOrChamber",
}  # fmt: skip
DELIVERY = {"collection", "distribution", "private", "transport"}
NETWORK = {"electricity", "oilGasChemical", "sewer", "water", "thermal", "telecommunications"}


def test_types_attributes_and_values_are_the_published_ones() -> None:
    layers = {layer.name: layer for layer in load_profile("inspire-sewer").profile.layer}
    assert set(layers) == TYPES | {"not_located"}  # the last is ours, and says so
    for name, attributes in ATTRIBUTES.items():
        assert attributes <= {column.name for column in layers[name].column}
    pipe, node, network = (layers[name] for name in ("SewerPipe", "Appurtenance", "UtilityNetwork"))
    assert set(pipe.named("sewerWaterType").values) == WATER
    assert set(pipe.named("sewerWaterType").codes.values()) <= WATER
    assert pipe.named("utilityDeliveryType").constant in DELIVERY
    assert pipe.named("pipeDiameter").sources == ("outside_diameter_m",)  # "Pipe outer diameter"
    assert set(node.named("appurtenanceType").values) == APPURTENANCE
    assert set(network.named("utilityNetworkType").values) == NETWORK
    assert network.named("utilityNetworkType").constant == "sewer"


def test_every_name_says_whether_it_was_read() -> None:
    for layer in load_profile("inspire-sewer").profile.layer:
        for column in layer.column:
            told = ("read", "ours", "as in", "from memory", "as inNetwork", "as inspireId")
            assert any(word in column.provenance for word in told), column.name
