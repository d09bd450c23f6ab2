//! Hands items to the writer, many readings a message, and follows what is committed.

use std::collections::VecDeque;

use bytes::Bytes;
use tokio::runtime::Handle;

use super::{resume::Resume, trouble::Trouble, understand::Item};
use crate::{
    reading::{Decoded, Reading},
    store::{Committed, Message, Ticket, Writer},
};

/// Readings in a message: a commit each, and large enough that its cost doesn't show.
const READINGS: usize = 20_000;
/// Messages of readings under way: one is written while the next is made.
const UNDER_WAY: usize = 2;

pub(super) struct Feed<'a> {
    writer: &'a Writer,
    runtime: &'a Handle,
    committed: Committed,
    resume: &'a Resume,
    topic: String,
    now_ms: i64,
    /// Items given so far, and how many of them are committed from an earlier run.
    items: u64,
    done: u64,
    readings: Vec<Reading>,
    under_way: VecDeque<(Ticket, u64)>,
}

impl<'a> Feed<'a> {
    pub(super) fn new(
        writer: &'a Writer,
        runtime: &'a Handle,
        resume: &'a Resume,
        topic: String,
        now_ms: i64,
    ) -> Self {
        Self {
            writer,
            runtime,
            committed: writer.committed(),
            resume,
            topic,
            now_ms,
            items: 0,
            done: resume.done(),
            readings: Vec::with_capacity(READINGS),
            under_way: VecDeque::new(),
        }
    }

    /// Items that an earlier run wrote.
    pub(super) fn done_before(&self) -> u64 {
        self.done
    }

    pub(super) fn take(&mut self, item: Item) -> Result<(), Trouble> {
        self.items += 1;
        if self.items <= self.done {
            return Ok(());
        }
        match item {
            Item::Reading(reading) => {
                self.readings.push(reading);
                if self.readings.len() == READINGS {
                    self.send_readings()?;
                }
            }
            Item::Refused(refused, row) => {
                let decoded = Decoded {
                    readings: Vec::new(),
                    refusals: vec![refused.refusal],
                };
                self.send(decoded, Bytes::from(row), false)?;
            }
        }
        Ok(())
    }

    /// Waits until everything is committed.
    pub(super) fn end(mut self) -> Result<(), Trouble> {
        self.send_readings()?;
        while !self.under_way.is_empty() {
            self.wait()?;
        }
        // What was refused last has no ticket here; running any work commits what came before it.
        self.runtime.block_on(self.writer.run(|_| ()))?;
        self.resume.forget()?;
        Ok(())
    }

    fn send_readings(&mut self) -> Result<(), Trouble> {
        if self.readings.is_empty() {
            return Ok(());
        }
        let readings = std::mem::replace(&mut self.readings, Vec::with_capacity(READINGS));
        let decoded = Decoded {
            readings,
            refusals: Vec::new(),
        };
        let ticket = self.send(decoded, Bytes::new(), true)?;
        self.under_way.push_back((ticket, self.items));
        if self.under_way.len() >= UNDER_WAY {
            self.wait()?;
        }
        Ok(())
    }

    fn send(&mut self, decoded: Decoded, body: Bytes, urgent: bool) -> Result<Ticket, Trouble> {
        let message = Message {
            topic: self.topic.clone(),
            body,
            arrived_ms: self.now_ms,
            decoded,
            urgent,
        };
        Ok(self.runtime.block_on(self.writer.take(message))?)
    }

    fn wait(&mut self) -> Result<(), Trouble> {
        if let Some((ticket, items)) = self.under_way.pop_front() {
            self.runtime.block_on(self.committed.wait(ticket))?;
            self.resume.keep(items)?;
        }
        Ok(())
    }
}
