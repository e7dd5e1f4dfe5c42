//! A thing that moves one way only moves once, and never again until it is laid back by hand.

use throwproof_protocol::address::KeyedAddress;

use super::find::learn;
use super::{Answered, Hunter};
use crate::event::hunt::Thing;
use crate::hunt::search::Search;
use crate::sweep::thrower::Halt;
use crate::witness::hunt::{Back, Noticed, Why};

/// What is known of a thing that may move one way only.
#[derive(Debug, Default)]
pub(super) struct OneWay {
    /// What was believed when it last moved: what was answered since says nothing if it could not
    /// move.
    moved: Option<Search>,
    /// It was asked whether it moves one way only.
    is_asked: bool,
    /// It moves one way only.
    is_known: bool,
    /// It is to be laid back before anything is thrown again.
    is_due: bool,
}

impl OneWay {
    pub(super) const fn is_known(&self) -> bool {
        self.is_known
    }
}

impl Hunter<'_, '_, '_> {
    /// Has it laid back by hand, if that is known to be needed.
    pub(super) async fn lay_back_before(&mut self, one_way: &mut OneWay) -> Result<(), Halt> {
        if one_way.is_known && one_way.is_due {
            one_way.is_due = false;
            self.laid_back(Why::Moved).await?;
        }
        Ok(())
    }

    async fn laid_back(&mut self, why: Why) -> Result<bool, Halt> {
        let back = Back {
            thing: self.thing(),
            target: self.target.clone(),
            why,
        };
        self.thrower.lay_back(&back).await
    }

    /// Takes note of an answer: it moved once, and now no address fits all that was answered. Then
    /// an answer was wrong, or it moves one way only, which is asked.
    pub(super) async fn suspect(
        &mut self,
        search: &mut Search,
        one_way: &mut OneWay,
        answered: &Answered,
    ) -> Result<(), Halt> {
        match answered.noticed {
            Noticed::Moved(_) | Noticed::Lies(_) => {
                one_way.moved = Some(search.clone());
                one_way.is_due = true;
            }
            Noticed::Still if !one_way.is_asked => {
                let Some(moved) = &one_way.moved else {
                    return Ok(());
                };
                if search.contradictions() <= moved.contradictions() {
                    return Ok(());
                }
                one_way.is_asked = true;
                if self.laid_back(Why::Doubted).await? {
                    one_way.is_known = true;
                    one_way.is_due = false;
                    *search = moved.clone();
                }
            }
            Noticed::Still | Noticed::NotSure | Noticed::Again | Noticed::Stop => {}
        }
        Ok(())
    }

    /// Nothing moves it, by all that was answered. It may lie already where it can only be thrown
    /// to: then all is thrown once more after it was laid the other way. Whether that moved it.
    pub(super) async fn moves_after_all(
        &mut self,
        search: &mut Search,
        one_way: &mut OneWay,
    ) -> Result<bool, Halt> {
        if one_way.is_asked || one_way.moved.is_some() {
            return Ok(false);
        }
        one_way.is_asked = true;
        if !self.laid_back(Why::Never).await? {
            return Ok(false);
        }
        one_way.is_known = true;
        let mut anew = Search::new(self.asked.likely(self.plan), self.asked.doubt);
        let all = anew.addresses().to_vec();
        let answered = self.ask(&all, None).await?;
        learn(&mut anew, &answered);
        self.tell(&answered, Some(&anew)).await?;
        self.suspect(&mut anew, one_way, &answered).await?;
        let moved = one_way.moved.is_some();
        if moved {
            *search = anew;
        }
        Ok(moved)
    }

    /// Throws one alone there and back: that is all the proof there is of what moves one way only.
    pub(super) async fn prove_one_way(
        &mut self,
        search: &mut Search,
        one_way: &mut OneWay,
        address: KeyedAddress,
    ) -> Result<Option<Thing>, Halt> {
        let answered = self.ask(&[address], None).await?;
        learn(search, &answered);
        self.tell(&answered, Some(search)).await?;
        self.suspect(search, one_way, &answered).await?;
        let moved = matches!(answered.noticed, Noticed::Moved(_));
        let is_proved = moved && search.is_proved(address);
        Ok(is_proved.then(|| self.thing_at(address, None)))
    }
}
