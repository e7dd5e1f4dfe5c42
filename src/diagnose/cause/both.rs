//! Two causes at once.

use crate::track::as_built::{AsBuilt, Decoder, Rails, Supply, Turnout};

/// A layout with what is wrong in either; where both say something of one figure, the worse.
pub fn both(one: &AsBuilt, other: &AsBuilt) -> AsBuilt {
    let mut built = one.clone();
    let Rails { packet_loss, .. } = other.rails;
    built.rails.packet_loss = most(built.rails.packet_loss, packet_loss);
    for (id, with) in &other.supplies {
        supply(built.supplies.entry(id.clone()).or_default(), *with);
    }
    for (id, with) in &other.decoders {
        decoder(built.decoders.entry(id.clone()).or_default(), with);
    }
    for (id, with) in &other.turnouts {
        turnout(built.turnouts.entry(id.clone()).or_default(), with);
    }
    built
}

fn most(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.max(other)),
        (one, other) => one.or(other),
    }
}

fn supply(it: &mut Supply, with: Supply) {
    it.volts = it.volts.or(with.volts);
    it.internal_ohms = most(it.internal_ohms, with.internal_ohms);
    it.trip_amps = it.trip_amps.or(with.trip_amps);
    it.trip_ms = it.trip_ms.or(with.trip_ms);
    it.capacitor_uf = it.capacitor_uf.or(with.capacitor_uf);
    it.capacitor_charge_ohms = most(it.capacitor_charge_ohms, with.capacitor_charge_ohms);
}

fn decoder(it: &mut Decoder, with: &Decoder) {
    it.first_address = it.first_address.or(with.first_address);
    it.address_offset = it.address_offset.or(with.address_offset);
    it.taught = it.taught.or(with.taught);
    it.feed = it.feed.or(with.feed);
    it.packet_loss = most(it.packet_loss, with.packet_loss);
    it.wire_ohms = most(it.wire_ohms, with.wire_ohms);
    it.format = it.format.or(with.format);
    it.pulse_ms = it.pulse_ms.or(with.pulse_ms);
    it.busy_ms = it.busy_ms.or(with.busy_ms);
}

fn turnout(it: &mut Turnout, with: &Turnout) {
    it.leads_swapped ^= with.leads_swapped;
    it.exchanged_with = it.exchanged_with.take().or(with.exchanged_with.clone());
    it.output = it.output.or(with.output);
    it.straight_coil = it.straight_coil.or(with.straight_coil);
    it.diverging_coil = it.diverging_coil.or(with.diverging_coil);
    it.lead_ohms = most(it.lead_ohms, with.lead_ohms);
    it.friction_to_straight = most(it.friction_to_straight, with.friction_to_straight);
    it.friction_to_diverging = most(it.friction_to_diverging, with.friction_to_diverging);
    it.spring = most(it.spring, with.spring);
    it.blades_stop_at = it.blades_stop_at.or(with.blades_stop_at);
    it.linkage_off |= with.linkage_off;
    it.contact = it.contact.or(with.contact);
    it.lies = it.lies.or(with.lies);
}
