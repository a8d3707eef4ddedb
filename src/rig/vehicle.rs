//! The whole vehicle: motion, corners, electrics, modules and bus, stepped in milliseconds.
//!
//! Nothing here reads a clock: the caller says up to when ([`Vehicle::advance`]) and takes the frames
//! ([`Vehicle::next_frame`]). A scripted tester is on the bus for recordings; on a link the caller hands in what
//! real testers send ([`Vehicle::receive`]).

use super::brakes::{Brakes, Inputs};
use super::bus::{Bus, Node, RigFrame};
use super::corner::{Corner, Make};
use super::drive::{Drive, Driver, Motion};
use super::electrics::Electrics;
use super::fault::{Defect, Fault};
use super::kinematics::wheel_speeds;
use super::layout::{Layout, SignalPlace, Style, check_byte};
use super::line::LineState;
use super::neighbour::{Neighbour, Seen};
use super::network::Network;
use super::random::Random;
use super::readings::Readings;
use super::server::{LONG_S, Server};
use super::settings::{Delivery, ModuleName, Moment, Settings};
use super::talk::Talk;
use super::tester::Tester;
use crate::frame::{CanId, Frame, Timestamp};
use crate::place::{Axle, Place, Wheel};

/// Length of a step, seconds.
const STEP_S: f64 = 0.001;
const STEP_NANOS: i64 = 1_000_000;

/// A vehicle with its key on.
#[derive(Clone, Debug)]
pub struct Vehicle {
    pub(super) settings: Settings,
    pub(super) corners: [Corner; 4],
    pub(super) electrics: Electrics,
    pub(super) network: Network,
    pub(super) body: Chassis,
    brakes: Brakes,
    neighbours: [Neighbour; 3],
    servers: [Server; 4],
    talks: [Talk; 4],
    replies: Vec<Due>,
    driver: Driver,
    motion: Motion,
    readings: Readings,
    bus: Bus,
    tester: Option<Tester>,
    /// Steps since key on.
    steps: u32,
    /// When the present drive began, seconds since the first key on.
    began: f64,
    /// Drives since then.
    drives: u64,
    recording: bool,
    heard_brakes: f64,
    /// When the engine module was last heard, by the brake module and by the others.
    heard_engine: f64,
    others_heard_engine: f64,
    heard_steering: f64,
    counter: u8,
    reply_delay: Random,
    jitter: Random,
}

/// What is wrong in ways that belong to no corner, and the sensors of motion.
#[expect(
    clippy::struct_excessive_bools,
    reason = "independent defects, not states of one machine"
)]
#[derive(Clone, Copy, Debug)]
pub(super) struct Chassis {
    pub(super) yaw_offset: f64,
    pub(super) yaw_dead: bool,
    pub(super) steering_offset_deg: f64,
    pub(super) pressure_offset_bar: f64,
    pub(super) pressure_open: bool,
    pub(super) switch_on: bool,
    pub(super) switch_off: bool,
    /// Above the switch's level with the vehicle at rest, millimetres.
    pub(super) fluid_mm: f64,
    pub(super) leaks: bool,
    pub(super) level_stuck: bool,
    pub(super) level_open: bool,
    pub(super) swapped: [bool; 2],
    /// Thickness of the pads of each wheel, millimetres.
    pub(super) pads_mm: [f64; 4],
}

#[derive(Clone, Debug)]
struct Due {
    at: f64,
    module: ModuleName,
    payload: Vec<u8>,
}

impl Chassis {
    fn new(seed: u64, faults: &[Fault]) -> Self {
        let mut random = Random::new(seed, "chassis");
        let mut new = Self {
            yaw_offset: random.between(-0.004, 0.004),
            yaw_dead: false,
            steering_offset_deg: random.between(-1.5, 1.5),
            pressure_offset_bar: 0.0,
            pressure_open: false,
            switch_on: false,
            switch_off: false,
            fluid_mm: random.between(12.0, 22.0),
            leaks: false,
            level_stuck: false,
            level_open: false,
            swapped: [false; 2],
            pads_mm: [(); 4].map(|()| random.between(5.0, 10.0)),
        };
        for fault in faults {
            let scale = |least: f64, most: f64| least + (most - least) * fault.severity;
            let sign = if random.chance(0.5) { 1.0 } else { -1.0 };
            match fault.defect {
                Defect::YawOffset => new.yaw_offset = sign * scale(0.06, 0.25),
                Defect::YawDead => new.yaw_dead = true,
                Defect::SteeringZero => new.steering_offset_deg = sign * scale(15.0, 60.0),
                Defect::PressureOffset => new.pressure_offset_bar = scale(12.0, 40.0),
                Defect::PressureOpen => new.pressure_open = true,
                Defect::SwitchStuckOn => new.switch_on = true,
                Defect::SwitchStuckOff => new.switch_off = true,
                Defect::PadsWorn => {
                    new.fluid_mm = scale(1.0, -6.0);
                    new.pads_mm = new.pads_mm.map(|pad| pad * 0.2 + 0.4);
                }
                Defect::Leak => {
                    new.fluid_mm = scale(1.0, -10.0);
                    new.leaks = true;
                }
                Defect::LevelSwitchStuck => new.level_stuck = true,
                Defect::LevelSwitchOpen => new.level_open = true,
                Defect::SidesSwapped => match fault.place {
                    Place::Axle(Axle::Front) => new.swapped[0] = true,
                    Place::Axle(Axle::Rear) => new.swapped[1] = true,
                    Place::Vehicle | Place::Wheel(_) => {}
                },
                _ => {}
            }
        }
        new
    }

    /// Whether the level switch closes: the fluid sways with braking and bends.
    fn level_low(&self, motion: &Motion) -> bool {
        let sway = 0.8 * motion.acceleration.abs() + 0.5 * motion.lateral().abs();
        self.level_stuck || self.fluid_mm - sway < 0.0
    }
}

impl Vehicle {
    /// A vehicle at the moment its key is turned on. It has driven before, unrecorded, as the settings say: with
    /// the faults of the past if there are any, else with the present ones.
    pub fn new(settings: &Settings) -> Self {
        let mut vehicle = Self::built(settings, settings.seed);
        let before = settings.faults_before();
        for earlier in 0..settings.earlier_drives {
            let seed = settings.seed.wrapping_add(1_000 + u64::from(earlier));
            vehicle.assemble(&before, settings.seed);
            vehicle.turn_key(seed, 1.0);
            let end = vehicle.driver.end();
            while vehicle.time() < end {
                vehicle.step();
            }
        }
        vehicle.assemble(&settings.faults, settings.seed);
        let lead = if settings.survey.moment == Moment::Before || settings.survey.clears {
            12.0
        } else {
            2.5
        };
        vehicle.turn_key(settings.seed, lead);
        vehicle.recording = true;
        vehicle
    }

    fn built(settings: &Settings, seed: u64) -> Self {
        let brakes = Brakes::new(settings);
        let lost = brakes.lost();
        let neighbours = [
            ModuleName::Powertrain,
            ModuleName::Body,
            ModuleName::Cluster,
        ]
        .map(|name| Neighbour::new(name, lost, settings));
        let mut random = Random::new(seed, "driver");
        let driver = Driver::new(
            settings.drive,
            1.0,
            settings.geometry.wheelbase_m,
            &mut random,
        );
        let vin = vin(seed);
        let mut habits = Random::new(seed, "servers");
        let servers = ModuleName::ALL.map(|name| Server::new(name, vin, habits.chance(0.3)));
        let talks = ModuleName::ALL.map(|name| {
            let (request, response) = settings.scheme.addresses(name);
            let padding = habits.pick(&[Some(0xAA), Some(0x00), Some(0xCC), None]);
            Talk::new(response, request, padding)
        });
        Self {
            corners: Self::corners(settings, &settings.faults, seed),
            electrics: Electrics::new(seed, &settings.faults),
            network: Network::new(seed, &settings.faults),
            body: Chassis::new(seed, &settings.faults),
            brakes,
            neighbours,
            servers,
            talks,
            replies: Vec::new(),
            driver,
            motion: Motion::default(),
            readings: Readings::default(),
            bus: Bus::new(settings.start),
            tester: None,
            steps: 0,
            began: 0.0,
            drives: 0,
            recording: false,
            heard_brakes: 0.0,
            heard_engine: 0.0,
            others_heard_engine: 0.0,
            heard_steering: 0.0,
            counter: 0,
            reply_delay: Random::new(seed, "reply delay"),
            jitter: Random::new(seed, "jitter"),
            settings: settings.clone(),
        }
    }

    fn corners(settings: &Settings, faults: &[Fault], seed: u64) -> [Corner; 4] {
        Wheel::ALL.map(|wheel| {
            let make = Make {
                wheel,
                circumference_m: settings.circumference_m,
                teeth: settings.teeth,
                sensor: settings.sensor,
                driven: (wheel.axle() == Axle::Front) == settings.front_driven,
            };
            Corner::new(make, seed, faults)
        })
    }

    /// Puts in sound parts, then these faults.
    fn assemble(&mut self, faults: &[Fault], seed: u64) {
        self.corners = Self::corners(&self.settings, faults, seed);
        self.electrics = Electrics::new(seed, faults);
        self.network = Network::new(seed, faults);
        self.body = Chassis::new(seed, faults);
        self.brakes.suffer(faults, seed);
    }

    /// Turns the key off and on: a new operation cycle, a new drive.
    fn turn_key(&mut self, seed: u64, lead_s: f64) {
        let mut random = Random::new(seed, "driver");
        let wheelbase = self.settings.geometry.wheelbase_m;
        self.driver = Driver::new(self.settings.drive, lead_s, wheelbase, &mut random);
        self.driver.spirited = self.settings.spirited;
        self.steps = 0;
        self.began = 0.0;
        self.motion = Motion::default();
        self.heard_brakes = 0.0;
        self.heard_engine = 0.0;
        self.others_heard_engine = 0.0;
        self.heard_steering = 0.0;
        self.brakes.key_on();
        for neighbour in &mut self.neighbours {
            neighbour.key_on();
        }
        let end = self.driver.end() + 1.5;
        self.tester = Some(Tester::new(&self.settings, lead_s + 3.0, end));
    }

    /// The same without the scripted tester: for a link, where real ones ask.
    pub fn without_tester(mut self) -> Self {
        self.tester = None;
        self
    }

    /// Seconds since key on.
    fn time(&self) -> f64 {
        f64::from(self.steps) * STEP_S
    }

    /// The moment up to which it has been stepped.
    pub fn now(&self) -> Timestamp {
        let nanos = i64::from(self.steps).saturating_mul(STEP_NANOS);
        Timestamp::from_nanos(self.settings.start.nanos().saturating_add(nanos))
    }

    /// Whether the drive is over and the scripted tester, if there is one, is done.
    pub fn is_finished(&self) -> bool {
        let script = self.tester.as_ref();
        self.time() - self.began > self.driver.end() + 2.0 && script.is_none_or(Tester::is_done)
    }

    /// What is wrong with it now.
    pub fn faults(&self) -> &[Fault] {
        &self.settings.faults
    }

    /// Mends everything and breaks this: from the next step on, in the middle of a drive too. The modules keep what they
    /// remember.
    pub fn change_faults(&mut self, faults: &[Fault]) {
        self.settings.faults = faults.to_vec();
        self.assemble(faults, self.settings.seed);
    }

    /// The key is turned off and on, for a new operation cycle, and the driver sets out for another drive. The clock runs
    /// on; the scripted tester stays out of it.
    pub fn set_out(&mut self, drive: Drive) {
        self.drives = self.drives.wrapping_add(1);
        let seed = self.settings.seed.wrapping_add(self.drives);
        let mut random = Random::new(seed, "driver");
        self.settings.drive = drive;
        self.driver = Driver::new(drive, 2.5, self.settings.geometry.wheelbase_m, &mut random);
        self.driver.spirited = self.settings.spirited;
        self.motion = Motion::default();
        self.began = self.time();
        self.heard_brakes = self.began;
        self.heard_engine = self.began;
        self.others_heard_engine = self.began;
        self.heard_steering = self.began;
        self.brakes.key_on();
        for neighbour in &mut self.neighbours {
            neighbour.key_on();
        }
    }

    /// How fast it is, km/h.
    pub fn speed_kmh(&self) -> f64 {
        self.motion.speed * 3.6
    }

    /// Steps up to this moment. Does nothing for one that has passed.
    pub fn advance(&mut self, to: Timestamp) {
        while self.now() < to {
            self.step();
        }
    }

    /// The next frame of the bus, in order of time.
    pub fn next_frame(&mut self) -> Option<RigFrame> {
        self.bus.out.pop_front()
    }

    /// Drives to the end and hands out every frame, in order of time.
    pub fn record(&mut self, mut each: impl FnMut(&RigFrame)) {
        while !self.is_finished() {
            self.step();
            while let Some(frame) = self.bus.out.pop_front() {
                each(&frame);
            }
        }
    }

    /// Takes a frame that somebody else has put on the bus.
    pub fn receive(&mut self, frame: &Frame<'_>) {
        if frame.kind.is_data() {
            self.hear(frame.id, frame.data);
        }
    }

    fn hear(&mut self, id: CanId, data: &[u8]) {
        let now = self.time();
        let functional = self.settings.scheme.functional();
        for module in ModuleName::ALL {
            if id == functional {
                // To all: single frames only.
                let length = data.first().map_or(0, |first| usize::from(*first));
                if let Some(request) = data.get(1..=length).filter(|_| (1..8).contains(&length)) {
                    self.serve(module, request, true);
                }
                continue;
            }
            let talk = &mut self.talks[module.index()];
            if talk.hears != id {
                continue;
            }
            if !self.reachable(module) {
                continue;
            }
            let mut flow = Vec::new();
            let talk = &mut self.talks[module.index()];
            let request = talk.hear(data, now, &mut flow);
            for (id, data) in flow {
                self.bus.queue(now + 0.0005, node(module), id, data);
            }
            if let Some(request) = request {
                self.serve(module, &request, false);
            }
        }
    }

    fn reachable(&self, module: ModuleName) -> bool {
        let stub_open = self.network.cuts_off(Node::Brakes, self.time());
        module != ModuleName::Brakes || self.brakes.awake() && !stub_open
    }

    fn serve(&mut self, module: ModuleName, request: &[u8], functional: bool) {
        if !self.reachable(module) {
            return;
        }
        let now = self.time();
        let memory = match module {
            ModuleName::Brakes => &mut self.brakes.memory,
            ModuleName::Powertrain => &mut self.neighbours[0].memory,
            ModuleName::Body => &mut self.neighbours[1].memory,
            ModuleName::Cluster => &mut self.neighbours[2].memory,
        };
        let server = &mut self.servers[module.index()];
        let reply = server.answer(request, functional, now, memory, &self.readings);
        let Some(payload) = reply.payload else { return };
        let mut at = now + self.reply_delay.between(0.004, 0.03);
        if reply.pending {
            let wait = vec![0x7F, request.first().copied().unwrap_or(0), 0x78];
            self.replies.push(Due {
                at,
                module,
                payload: wait,
            });
            at += LONG_S;
        }
        self.replies.push(Due {
            at,
            module,
            payload,
        });
    }

    /// One millisecond.
    fn step(&mut self) {
        self.steps = self.steps.saturating_add(1);
        let now = self.time();
        self.motion = self.driver.step(STEP_S);
        let motion = self.motion;
        let paths = wheel_speeds(motion.speed, motion.yaw_rate, self.settings.geometry);
        let slips = self.driver.slips(self.settings.front_driven);
        for ((corner, path), slip) in self.corners.iter_mut().zip(paths).zip(slips) {
            corner.step(now, STEP_S, path * (1.0 + slip), &motion);
        }
        let shake = self.corners[0].bump(now);
        let pump = self.brakes.pump_runs();
        self.electrics.step(STEP_S, &motion, pump, shake);
        let bus = self.recording.then_some(&mut self.bus);
        self.network.step(now, STEP_S, shake, bus);
        if self.steps.is_multiple_of(10) {
            self.brake_task(now);
        }
        if self.steps.is_multiple_of(50) {
            self.look(now);
        }
        self.note_messages(now);
        if self.recording {
            self.broadcast(now);
            self.talk(now);
        }
    }

    fn brake_task(&mut self, now: f64) {
        let taken =
            [0, 1, 2, 3].map(|index: usize| std::mem::take(&mut self.corners[index].pulses));
        let states = [0, 1, 2, 3].map(|index: usize| self.corners[index].line_state);
        // Each input of the module belongs to a wheel; swapped plugs feed it with the pulses of the other side.
        let source = |index: usize| {
            if self.body.swapped[index / 2] {
                index ^ 1
            } else {
                index
            }
        };
        let fed = self.electrics.module_v() > 4.0;
        let edges = [0, 1, 2, 3].map(|index| {
            let edges = &taken[source(index)];
            if fed { edges.as_slice() } else { &[] }
        });
        let lines = [0, 1, 2, 3].map(|index| {
            if fed {
                states[source(index)]
            } else {
                LineState::Sound
            }
        });
        let motion = &self.motion;
        let yaw_rate = if self.body.yaw_dead {
            0.0
        } else {
            motion.yaw_rate + self.body.yaw_offset
        };
        let steering_deg = motion.steering_deg + self.body.steering_offset_deg;
        let pressed = motion.pressure_bar > 0.5;
        let brake_switch = self.body.switch_on || pressed && !self.body.switch_off;
        let pressure = motion.pressure_bar + self.body.pressure_offset_bar;
        let inputs = Inputs {
            edges,
            lines,
            supply_v: self.electrics.module_v(),
            yaw_rate,
            steering_deg,
            pressure_bar: (!self.body.pressure_open).then_some(pressure),
            brake_switch,
            level_low: self.body.level_low(motion),
            level_circuit_open: self.body.level_open,
            engine_heard: now - self.heard_engine < 0.5,
            steering_heard: now - self.heard_steering < 0.5,
        };
        self.brakes.task(now, &inputs);
        let awake = self.brakes.awake();
        self.readings = Readings {
            wheels_kmh: self.brakes.sent_kmh(),
            speed_kmh: if awake {
                self.brakes.vehicle_kmh()
            } else {
                motion.speed * 3.6
            },
            engine_rpm: engine_rpm(motion),
            coolant_c: 84.0 + now / 60.0,
            battery_v: self.electrics.battery_v(),
            supply_v: self.electrics.module_v(),
            yaw_deg_s: yaw_rate.to_degrees(),
            steering_deg,
            pressure_bar: pressure,
            brake_switch,
            abs_active: awake && self.brakes.abs_active(),
            fluid_low: inputs.level_low || inputs.level_circuit_open,
            abs_lamp: self.brakes.memory.any_present(),
        };
        for (corner, mut pulses) in self.corners.iter_mut().zip(taken) {
            pulses.clear();
            corner.pulses = pulses;
        }
    }

    fn look(&mut self, now: f64) {
        let pressed = self.motion.pressure_bar > 0.5;
        let seen = Seen {
            brakes_silent_s: now - self.heard_brakes,
            engine_silent_s: now - self.others_heard_engine,
            wheel_invalid: self.readings.wheels_kmh.contains(&None),
            switch_contradicts: self.readings.brake_switch != pressed,
            engine_runs: self.motion.engine,
            battery_v: self.readings.battery_v,
        };
        for neighbour in &mut self.neighbours {
            neighbour.look(&seen, &self.readings);
        }
    }

    /// Which modules the others have heard: on a recording from the frames themselves, before it from the state.
    fn note_messages(&mut self, now: f64) {
        if self.recording || !self.steps.is_multiple_of(20) {
            return;
        }
        if self.brakes.awake() && !self.network.cuts_off(Node::Brakes, now) {
            self.heard_brakes = now;
        }
        if !self.network.cuts_off(Node::Powertrain, now) {
            self.others_heard_engine = now;
        }
        // The brake module hears nothing through a broken stub; the others hear the rest.
        if !self.network.cuts_off(Node::Brakes, now) {
            self.heard_steering = now;
            self.heard_engine = now;
        }
    }

    fn broadcast(&mut self, now: f64) {
        let every = |period: u32| self.steps.is_multiple_of(period);
        let layout = self.settings.layout;
        let period = u32::from(layout.wheels_every_ms.max(1));
        let awake = self.brakes.awake();
        let readings = self.readings;
        let id = |raw: u16| CanId::standard_masked(u32::from(raw));
        let ready = now + self.jitter.between(0.0, 0.0004);
        if awake && self.settings.delivery == Delivery::Broadcast && every(period) {
            self.counter = (self.counter + 1) & 0x0F;
            for (raw, data) in wheel_frames(&layout, &readings, self.counter) {
                self.bus.queue(ready, Node::Brakes, id(raw), data.to_vec());
            }
        }
        if awake && every(100) {
            let mut data = [0; 8];
            layout
                .brake_switch
                .put(&mut data, readings.brake_switch.into());
            layout.abs_active.put(&mut data, readings.abs_active.into());
            layout.fluid_low.put(&mut data, readings.fluid_low.into());
            layout.abs_lamp.put(&mut data, readings.abs_lamp.into());
            data[6] = self.counter;
            data[7] = check_byte(data);
            self.bus.queue(
                now,
                Node::Brakes,
                id(layout.brake_switch.frame),
                data.to_vec(),
            );
        }
        let value = |place: &SignalPlace, value: f64| {
            let mut data = [0; 8];
            place.put(&mut data, place.raw(value));
            (id(place.frame), data.to_vec())
        };
        let mut send = |node, place: &SignalPlace, number: f64| {
            let (id, data) = value(place, number);
            let ready = now + self.jitter.between(0.0, 0.0009);
            self.bus.queue(ready, node, id, data);
        };
        if every(50) {
            send(Node::Motion, &layout.yaw_rate, readings.yaw_deg_s);
        }
        if every(100) {
            send(Node::Motion, &layout.steering_angle, readings.steering_deg);
            send(Node::Powertrain, &layout.engine_speed, readings.engine_rpm);
        }
        if every(200) {
            send(Node::Cluster, &layout.shown_speed, readings.speed_kmh);
        }
        if every(500) {
            send(Node::Body, &layout.battery_voltage, readings.battery_v);
        }
    }

    fn talk(&mut self, now: f64) {
        let mut due = Vec::new();
        self.replies.retain(|reply| {
            if reply.at <= now {
                due.push((reply.module, reply.payload.clone()));
            }
            reply.at > now
        });
        for (module, payload) in due {
            if self.reachable(module) {
                self.talks[module.index()].send(payload);
            }
        }
        let mut out = Vec::new();
        for module in ModuleName::ALL {
            self.talks[module.index()].poll(now, &mut out);
            for (id, data) in out.drain(..) {
                self.bus.queue(now, node(module), id, data);
            }
        }
        if let Some(tester) = &mut self.tester {
            tester.step(now, &mut self.bus);
        }
        let network = &self.network;
        let delivered = self.bus.run(now, |node| network.cuts_off(node, now));
        let stub_open = self.network.cuts_off(Node::Brakes, now);
        for frame in delivered {
            match frame.node {
                Node::Brakes => self.heard_brakes = now,
                Node::Powertrain => {
                    self.others_heard_engine = now;
                    if !stub_open {
                        self.heard_engine = now;
                    }
                }
                Node::Motion if !stub_open => self.heard_steering = now,
                _ => {}
            }
            if frame.node == Node::Tester {
                self.hear(frame.id, &frame.data);
            } else if let Some(tester) = &mut self.tester {
                tester.hear(frame.id, &frame.data, now);
            }
        }
    }
}

/// The frames of the wheel speeds.
fn wheel_frames(layout: &Layout, readings: &Readings, counter: u8) -> Vec<(u16, [u8; 8])> {
    let mut frames: Vec<(u16, [u8; 8])> = Vec::new();
    for (place, kmh) in layout.wheels.iter().zip(readings.wheels_kmh) {
        let raw = match kmh {
            Some(kmh) => place.raw(kmh),
            None => place.invalid.unwrap_or(0),
        };
        let index = frames.iter().position(|(id, _)| *id == place.frame);
        let index = index.unwrap_or_else(|| {
            frames.push((place.frame, [0; 8]));
            frames.len() - 1
        });
        place.put(&mut frames[index].1, raw);
    }
    if layout.style == Style::AxlePairs {
        for (_, data) in &mut frames {
            data[6] = counter;
            data[7] = check_byte(*data);
        }
    }
    frames
}

const fn node(module: ModuleName) -> Node {
    match module {
        ModuleName::Brakes => Node::Brakes,
        ModuleName::Powertrain => Node::Powertrain,
        ModuleName::Body => Node::Body,
        ModuleName::Cluster => Node::Cluster,
    }
}

/// Engine speed: idle, or what the gear of the moment makes of the road speed.
fn engine_rpm(motion: &Motion) -> f64 {
    if motion.cranking {
        return 220.0;
    }
    if !motion.engine {
        return 0.0;
    }
    let kmh = motion.speed * 3.6;
    let ratio = match kmh {
        0.0..18.0 => 130.0,
        18.0..36.0 => 75.0,
        36.0..58.0 => 50.0,
        58.0..85.0 => 37.0,
        _ => 28.0,
    };
    (kmh * ratio).max(820.0)
}

/// An invented identification number: no maker's prefix begins with 0. Without I, O and Q, as ISO 3779 wants.
fn vin(seed: u64) -> [u8; 17] {
    let mut vin = *b"000TRA1N1NG000000";
    let mut rest = seed % 1_000_000;
    for digit in vin.iter_mut().rev().take(6) {
        *digit = b'0' + u8::try_from(rest % 10).unwrap_or(0);
        rest /= 10;
    }
    vin
}
