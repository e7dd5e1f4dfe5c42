//! Service mode: reads, writes and verifies CVs on the programming track.

use throwproof_protocol::cv::{CvBit, CvNumber, CvOperation};
use throwproof_protocol::service::{
    DIRECT_SUPPORT_TEST, DirectAccess, PowerOn, Purpose as Part, ServiceInstruction,
    ServiceSequence, direct_is_supported,
};

use super::super::lesson::Step;
use super::{Go, Run};
use crate::event::Taught;
use crate::event::teach::Purpose;
use crate::sweep::thrower::Halt;

impl Run<'_, '_, '_> {
    /// Carries out one direct access by the sequence of S-9.2.3 (July 2012), section E; `true` if
    /// it was acknowledged.
    async fn access(&mut self, access: DirectAccess) -> Result<bool, Halt> {
        let power = if self.course.in_service.replace(true) {
            PowerOn::Already
        } else {
            PowerOn::Now
        };
        let mut is_acknowledged = false;
        for part in ServiceSequence::new(access.into(), power) {
            if part.purpose == Part::AfterAcknowledgement && !is_acknowledged {
                continue;
            }
            is_acknowledged |= self.thrower.serve(&part).await? == Some(true);
        }
        Ok(is_acknowledged)
    }

    /// Leaves service mode, if it was entered.
    pub(super) async fn leave_service(&mut self) -> Result<(), Halt> {
        if self.course.in_service.get() {
            for part in ServiceSequence::new(ServiceInstruction::Reset, PowerOn::Already) {
                self.thrower.serve(&part).await?;
            }
            self.course.in_service.set(false);
        }
        Ok(())
    }

    /// The same when the run ends, whatever ends it.
    pub(super) async fn leave_for_good(&mut self) {
        for part in ServiceSequence::new(ServiceInstruction::Reset, PowerOn::Already) {
            self.thrower.serve_last(&part).await;
        }
        self.course.in_service.set(false);
    }

    /// Whether the decoder answers, and knows direct access.
    pub(super) async fn test_direct(&mut self, step: &Step) -> Result<Go, Halt> {
        let mut answers = [false; 2];
        for (answer, access) in answers.iter_mut().zip(DIRECT_SUPPORT_TEST) {
            *answer = self.access(access).await?;
            let packet = ServiceInstruction::from(access).emit();
            let cv = Some(access.cv.get());
            self.say_sent(step, Purpose::Verify, None, cv, &packet, Some(*answer))
                .await?;
        }
        self.course.answers.set(Some(direct_is_supported(answers)));
        Ok(Go::On)
    }

    /// Reads a CV, if the decoder answers at all.
    pub(super) async fn read(
        &mut self,
        step: &Step,
        cv: CvNumber,
        wanted: Option<(u8, u8)>,
        before: bool,
    ) -> Result<Go, Halt> {
        let value = if self.course.answers.get() == Some(true) {
            self.value(cv).await?
        } else {
            None
        };
        self.say(Taught::CvRead {
            decoder: self.board.id.clone(),
            step: self.number(),
            cv: cv.get(),
            value,
            text: step.text.clone(),
            before,
        })
        .await?;
        if let (Some(value), Some((mask, wanted))) = (value, wanted)
            && value & mask != wanted
        {
            self.course.blame(format!(
                "CV {cv} holds {value} after it was written; bits {mask:08b} of it should be \
                 {wanted:08b}"
            ));
        }
        Ok(Go::On)
    }

    /// What a CV holds: eight bits are verified one by one, then the whole of it; `None` if they
    /// do not agree.
    async fn value(&mut self, cv: CvNumber) -> Result<Option<u8>, Halt> {
        let cv = self.number_of(cv);
        let mut value = 0;
        for position in 0..8 {
            let Ok(bit) = CvBit::new(position, true) else {
                continue;
            };
            let operation = CvOperation::VerifyBit(bit);
            if self.access(DirectAccess { cv, operation }).await? {
                value = bit.applied_to(value);
            }
        }
        let operation = CvOperation::VerifyByte(value);
        let holds = self.access(DirectAccess { cv, operation }).await?;
        Ok(holds.then_some(value))
    }

    /// Writes a CV and verifies it.
    pub(super) async fn write(
        &mut self,
        step: &Step,
        cv: CvNumber,
        operation: CvOperation,
    ) -> Result<Go, Halt> {
        let number = self.number_of(cv);
        let verify = match operation {
            CvOperation::WriteBit(bit) => CvOperation::VerifyBit(bit),
            CvOperation::WriteByte(value) => CvOperation::VerifyByte(value),
            verify @ (CvOperation::VerifyByte(_) | CvOperation::VerifyBit(_)) => verify,
        };
        let mut holds = false;
        for (purpose, operation) in [(Purpose::Write, operation), (Purpose::Verify, verify)] {
            let access = DirectAccess {
                cv: number,
                operation,
            };
            holds = self.access(access).await?;
            let packet = ServiceInstruction::from(access).emit();
            let cv = Some(cv.get());
            self.say_sent(step, purpose, None, cv, &packet, Some(holds))
                .await?;
        }
        if !holds && self.course.answers.get() == Some(true) {
            self.course.blame(format!(
                "CV {cv} does not hold what was written: {}",
                step.text
            ));
        }
        Ok(Go::On)
    }

    fn number_of(&self, cv: CvNumber) -> CvNumber {
        if self.board.teaching.older_numbers {
            cv.alias().unwrap_or(cv)
        } else {
            cv
        }
    }
}
