//! A simulated slave: a device at an address, which answers requests from its image.

use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::frame::{Exception, Request, Table, bits_reply, frame, registers_reply, sound};
use crate::image::Image;

/// Something on the line that hears every frame and answers those that are meant for it.
pub trait Station: Send {
    /// The unit that it answers as.
    fn address(&self) -> u8;

    /// A frame has passed on the line, sound or not, whoever sent it.
    fn overhear(&mut self, sound: bool);

    /// How long it takes from the end of a request (its silence included) until it begins to answer; drawn anew each time.
    fn latency(&mut self) -> Duration;

    /// The answer to a sound request for this unit, its registers sampled at `at`; what goes out, in order.
    fn answer(&mut self, request: &[u8], at: Duration) -> Vec<Answer>;
}

/// One stretch of bytes that a station sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// What it sends.
    pub bytes: Vec<u8>,
    /// When.
    pub begins: Begins,
}

/// When an answer begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Begins {
    /// So long after the instant of sampling, or after the station's answer before this one if that is later.
    After(Duration),
    /// So long after the end of the station's answer before this one.
    Following(Duration),
    /// So long after the end of the master's next request, whoever that is for.
    AfterNextRequest(Duration),
    /// Not on the wire at all: a buffer in the adapter or gateway gives it to the master when the next request begins.
    WithNextRequest,
    /// So long after the instant of sampling, from another station that does not know of this one: the two may collide.
    Beside(Duration),
}

/// How long a slave takes to answer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Latency {
    /// Always.
    pub fixed: Duration,
    /// At most so much more, evenly spread.
    pub jitter: Duration,
}

/// What a device says of itself to functions 11h and 2B/0E.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identity {
    /// Objects by number: 0 vendor, 1 product code, 2 revision, 3 to 6 regular, 80h and above of the device's own.
    pub objects: Vec<(u8, String)>,
}

/// The communication counters of function 08 (MODBUS over Serial Line V1.02, appendix A); they wrap.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// 0B: sound frames on the line, whoever they were for.
    pub bus_messages: u16,
    /// 0C: frames with a bad check sum.
    pub bus_errors: u16,
    /// 0D: exceptions that it answered with.
    pub exceptions: u16,
    /// 0E: requests that it processed.
    pub processed: u16,
}

/// A device at an address.
pub struct Slave {
    address: u8,
    image: Box<dyn Image>,
    latency: Latency,
    max_registers: u16,
    identity: Option<Identity>,
    counters: Counters,
    random: ChaCha8Rng,
}

impl Slave {
    /// A device at `address` (1 to 247) with these registers, which answers at once.
    pub fn new(address: u8, image: impl Image + 'static) -> Self {
        Self {
            address,
            image: Box::new(image),
            latency: Latency::default(),
            max_registers: Table::Holding.most(),
            identity: None,
            counters: Counters::default(),
            random: ChaCha8Rng::seed_from_u64(u64::from(address)),
        }
    }

    /// The same, answering after this latency.
    #[must_use]
    pub fn with_latency(self, latency: Latency) -> Self {
        Self { latency, ..self }
    }

    /// The same, refusing requests for more registers than this.
    #[must_use]
    pub fn with_max_registers(self, max_registers: u16) -> Self {
        Self { max_registers, ..self }
    }

    /// The same, saying who it is when asked.
    #[must_use]
    pub fn with_identity(self, identity: Identity) -> Self {
        Self { identity: Some(identity), ..self }
    }

    /// The protocol data of the reply to this request, with the registers as they are at `at`.
    pub fn reply(&mut self, protocol_data: &[u8], at: Duration) -> Vec<u8> {
        self.counters.processed = self.counters.processed.wrapping_add(1);
        let outcome = Request::parse(protocol_data).and_then(|request| self.perform(request, at));
        outcome.unwrap_or_else(|exception| {
            self.counters.exceptions = self.counters.exceptions.wrapping_add(1);
            exception.reply(protocol_data.first().copied().unwrap_or(0)).to_vec()
        })
    }

    fn perform(&mut self, request: Request, at: Duration) -> Result<Vec<u8>, Exception> {
        match request {
            Request::Read { table, start, quantity } => self.read(table, start, quantity, at),
            Request::Echo(data) => Ok([&[0x08, 0x00, 0x00], &data[..]].concat()),
            Request::Counter(number) => {
                let [high, low] = number.to_be_bytes();
                let [count_high, count_low] = self.counter(number).to_be_bytes();
                Ok(vec![0x08, high, low, count_high, count_low])
            }
            Request::ServerIdentification => self
                .identity
                .as_ref()
                .map_or(Err(Exception::ILLEGAL_FUNCTION), |identity| Ok(identity.server_identification())),
            Request::DeviceIdentification { access, object } => self
                .identity
                .as_ref()
                .map_or(Err(Exception::ILLEGAL_FUNCTION), |identity| identity.device_identification(access, object)),
        }
    }

    fn read(&mut self, table: Table, start: u16, quantity: u16, at: Duration) -> Result<Vec<u8>, Exception> {
        if !table.holds_bits() && quantity > self.max_registers {
            return Err(Exception::ILLEGAL_VALUE);
        }
        let last = start.checked_add(quantity - 1).ok_or(Exception::ILLEGAL_ADDRESS)?;
        let values = (start..=last)
            .map(|address| self.image.value(table, address, at))
            .collect::<Option<Vec<_>>>()
            .ok_or(Exception::ILLEGAL_ADDRESS)?;
        Ok(if table.holds_bits() {
            bits_reply(table, &values.iter().map(|&value| value != 0).collect::<Vec<_>>())
        } else {
            registers_reply(table, &values)
        })
    }

    fn counter(&self, number: u16) -> u16 {
        match number {
            0x0B => self.counters.bus_messages,
            0x0C => self.counters.bus_errors,
            0x0D => self.counters.exceptions,
            0x0E => self.counters.processed,
            // It answers everything that it processes, is never busy and never overrun.
            _ => 0,
        }
    }
}

impl Station for Slave {
    fn address(&self) -> u8 {
        self.address
    }

    fn overhear(&mut self, sound: bool) {
        let counter = if sound { &mut self.counters.bus_messages } else { &mut self.counters.bus_errors };
        *counter = counter.wrapping_add(1);
    }

    fn latency(&mut self) -> Duration {
        self.latency.fixed + self.latency.jitter.mul_f64(self.random.random())
    }

    fn answer(&mut self, request: &[u8], at: Duration) -> Vec<Answer> {
        let Some((_, protocol_data)) = sound(request) else { return Vec::new() };
        let reply = self.reply(protocol_data, at);
        vec![Answer { bytes: frame(self.address, &reply), begins: Begins::After(Duration::ZERO) }]
    }
}

impl Identity {
    /// The protocol data of a reply to function 11h: one byte of identification, running, then the product code.
    fn server_identification(&self) -> Vec<u8> {
        let text: Vec<u8> = self.object(1).unwrap_or_default().bytes().take(200).collect();
        let count = u8::try_from(text.len() + 2).expect("the text is cut at 200 bytes");
        [&[0x11, count, 0x01, 0xFF], &text[..]].concat()
    }

    /// The protocol data of a reply to function 2B/0E (§6.21).
    fn device_identification(&self, access: u8, object: u8) -> Result<Vec<u8>, Exception> {
        let conformity = match self.objects.iter().map(|&(number, _)| number).max().unwrap_or(0) {
            0..=2 => 0x81,
            3..=0x7F => 0x82,
            _ => 0x83,
        };
        let mut reply = vec![0x2B, 0x0E, access, conformity, 0x00, 0x00, 0x00];
        if access == 4 {
            let text = self.object(object).ok_or(Exception::ILLEGAL_ADDRESS)?;
            push_object(&mut reply, object, text);
            return Ok(reply);
        }
        let last = match access {
            1 => 0x02,
            2 => 0x7F,
            _ => 0xFF,
        };
        // A stream that begins at an object that does not exist begins anew.
        let first = if self.object(object).is_some() { object } else { 0 };
        let mut listed: Vec<_> = self.objects.iter().filter(|(number, _)| (first..=last).contains(number)).collect();
        listed.sort_by_key(|(number, _)| *number);
        for (number, text) in listed {
            // 253 bytes of protocol data at the most.
            if reply.len() + 2 + text.len() > 253 && reply[6] > 0 {
                reply[4] = 0xFF;
                reply[5] = *number;
                break;
            }
            push_object(&mut reply, *number, text);
        }
        Ok(reply)
    }

    fn object(&self, number: u8) -> Option<&str> {
        self.objects.iter().find(|(own, _)| *own == number).map(|(_, text)| text.as_str())
    }
}

fn push_object(reply: &mut Vec<u8>, number: u8, text: &str) {
    let text: Vec<u8> = text.bytes().take(240).collect();
    reply.extend([number, u8::try_from(text.len()).expect("the text is cut at 240 bytes")]);
    reply.extend(text);
    reply[6] += 1;
}

#[cfg(test)]
#[path = "slave_tests.rs"]
mod tests;
