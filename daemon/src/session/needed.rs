//! What of the journal is still needed, put together from all that the bench knows: the
//! sessions that are open, the closes that are not published, and what the records have.

use std::sync::Arc;

use super::bench::Bench;
use super::retire;

impl Bench {
    /// What [`retire::done`] goes by.
    pub(super) fn known(&self) -> anyhow::Result<retire::Known> {
        let clock = &self.setup.clock;
        let mut known = retire::Known {
            taken: self.taken,
            now: clock.now(),
            boot: (clock.boot(), clock.monotonic_us()),
            ..retire::Known::default()
        };
        for session in self.setup.records.sessions(None, None)? {
            let generation = session.published.map_or(0, |p| p.generation);
            known.published.insert(session.id, generation);
        }
        for close in self.closing.values() {
            known.wanted.extend(close.claims.iter().cloned());
        }
        for (name, machine) in &self.machines {
            known.wanted.extend(machine.keeper.wanted());
            for shared in machine.keeper.hears_also() {
                let hearing = known.hearing.entry(shared).or_default();
                hearing.push(Arc::clone(name));
            }
        }
        Ok(known)
    }
}
