"""Cabling of the practice lineup as drawn: what joins and feeds its control section and remote enclosure.

    SW-1 ─ SW-2 ─ CV-1 ═══ fibre FO-1 ═══ CV-2 ─ SW-3        RCE-1: CV-2, SW-3, PS-2
    PS-1 ─ 24 V DC ─ switches, gateways, master               UPS-1 with BAT-1 feeds PS-1 and PS-2

Drawn only when the whole control section plays; a lineup of a few devices has no cables worth a drawing.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet

#: Devices at which the drawn cables end.
ENDS = frozenset(("MC-1", "SW-1", "SW-2", "UPS-1", "GW-1", "GW-2"))

_TEXT = """\
cabling:
  equipment:
    - {name: RCE-1, kind: enclosure, description: "Remote control enclosure by the east door"}
    - {name: CV-1, kind: media-converter, section: "4 Tie and control", cubicle: 4C}
    - {name: CV-2, kind: media-converter, inside: RCE-1}
    - {name: SW-3, kind: switch, inside: RCE-1, description: "Switch of the remote enclosure"}
    - {name: PS-1, kind: dc-supply, section: "4 Tie and control", cubicle: 4D}
    - {name: PS-2, kind: dc-supply, inside: RCE-1}
  fibres:
    - name: FO-1
      ends: [CV-1, CV-2]
      fibre: om1
      wavelength_nm: 1300
      length_m: 62
      length_plus_minus_m: 2
      connectors: 2
      connector: BFOC/2.5
      application: 100base-fx
      transceivers: {launch_least_dbm: -20, launch_most_dbm: -14, sensitivity_dbm: -31, overload_dbm: -14}
  channels:
    - {name: TP-1, ends: [SW-1, SW-2], fixed_m: 6, cords_m: 4, ambient_c: 40}
    - {name: TP-2, ends: [SW-2, CV-1], fixed_m: 3, cords_m: 2, ambient_c: 40}
    - {name: TP-3, ends: [CV-2, SW-3], fixed_m: 2, cords_m: 2, ambient_c: 35}
    - {name: TP-4, ends: [SW-1, GW-1], fixed_m: 11, cords_m: 3, ambient_c: 40}
    - {name: TP-5, ends: [SW-2, GW-2], fixed_m: 13, cords_m: 3, ambient_c: 40}
  buses:
    - {name: RS-1, line: GW-1, requests: 3, registers: 40, response_ms: 40, response_plus_minus_ms: 20, \
wanted_s: 5, length_m: 18, length_plus_minus_m: 2}
    - {name: RS-2, line: GW-2, requests: 3, registers: 40, response_ms: 40, response_plus_minus_ms: 20, \
wanted_s: 5, length_m: 21, length_plus_minus_m: 2}
  feeders:
    - name: DC-1
      supply: PS-1
      conductor: awg14
      temperature_c: 50
      supply_least_v: 23.5
      supply_most_v: 27.6
      loads:
        - {name: MC-1, distance_m: 3, draw_w: 18}
        - {name: SW-1, distance_m: 4, draw_w: 12}
        - {name: SW-2, distance_m: 5, draw_w: 12}
        - {name: CV-1, distance_m: 6, draw_w: 4}
        - {name: GW-1, distance_m: 14, distance_plus_minus_m: 1, draw_w: 6}
        - {name: GW-2, distance_m: 17, distance_plus_minus_m: 1, draw_w: 6}
    - name: DC-2
      supply: PS-2
      conductor: awg16
      temperature_c: 40
      supply_least_v: 23.5
      supply_most_v: 27.6
      loads:
        - {name: CV-2, distance_m: 2, draw_w: 4}
        - {name: SW-3, distance_m: 3, draw_w: 8}
  banks:
    - name: BAT-1
      supply: UPS-1
      voltage_v: 24
      capacity_ah: 18
      rate_exponent: 1.15
      temperature_c: 20
      rating_va: 1000
      wanted_min: 60
      load_profile: [{draw_w: 180, minutes: 1}, {draw_w: 95}]
  conduits:
    - {name: CD-1, holds: [FO-1, twisted-pair], beside_power: {distance_mm: 300, feeder_a: 63}}
    - {name: CD-2, holds: [DC-1, control]}
    - {name: CD-3, holds: [RS-1, TP-4], beside_power: {distance_mm: 20, divider: solid, circuits: 3}}
"""


def cabling_text(tags: AbstractSet[str]) -> str:
    """The ``cabling`` of the map, empty where not all of its ends play."""
    return _TEXT if tags >= ENDS else ""
