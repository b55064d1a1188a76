"""Axes and a receiver simulated tick by tick: shares nothing with the schedules that it is held against."""

import math


class Motor:
    """Accelerates, cruises and brakes as its orders ask, a tick at a time."""

    def __init__(self, axis, at=0.0):
        self.axis, self.at, self.speed = axis, at, 0.0
        self.goal = at
        self.cruise = None
        self.rest = math.inf  # since when it stands

    def go(self, goal):
        self.goal, self.cruise = goal, None

    def run(self, speed, acceleration=None):
        """Take up a speed (with its sign) and keep it; 0 brakes."""
        self.cruise, self.pull = speed, acceleration or self.axis.acceleration

    def tick(self, dt):
        if self.cruise is not None:
            change = self.cruise - self.speed
            self.speed += math.copysign(min(abs(change), self.pull * dt), change)
            self.at += self.speed * dt
        elif self.at != self.goal:
            left = self.goal - self.at
            # Brake when what is left is what braking takes.
            allowed = math.sqrt(2 * self.axis.acceleration * abs(left))
            faster = abs(self.speed) + self.axis.acceleration * dt
            self.speed = math.copysign(min(allowed, faster, self.axis.speed), left)
            self.at = self.goal if abs(left) <= abs(self.speed) * dt else self.at + self.speed * dt
            if self.at == self.goal:
                self.speed = 0.0
        standing = self.speed == 0 and (self.at == self.goal or self.cruise == 0)
        self.rest = (
            (self.rest + dt if standing else 0.0) if self.rest < math.inf or not standing else self.rest
        )

    @property
    def settled(self):
        return self.rest >= self.axis.settling


class Bench:
    """Clock, motors, receiver, and a record of what was read where."""

    def __init__(self, positioner, receiver, dt=1e-3):
        self.positioner, self.receiver, self.dt = positioner, receiver, dt
        self.now, self.record, self.free = 0.0, [], 0.0
        self.extremes = []
        self.theta, self.phi = Motor(positioner.theta), Motor(positioner.phi)
        self.chi = None if positioner.chi is None else Motor(positioner.chi)
        self.reading, self.begun = [], 0.0

    def tick(self):
        self.now += self.dt
        self.extremes.append((self.theta.at, self.phi.at))
        for motor in (self.theta, self.phi, self.chi):
            if motor is not None:
                motor.tick(self.dt)
        while self.reading and self.now - self.begun >= self.reading[0][0]:
            _, chi = self.reading.pop(0)
            if chi is not None:
                self.record.append((self.now, self.theta.at, self.phi.at, chi))

    @property
    def busy(self):
        return bool(self.reading)

    @property
    def ready(self):
        return not self.reading and self.now >= self.free

    def read(self):
        """Begin to read all that is read at a position."""
        assert self.ready, f"the receiver is busy at {self.now} s"
        r, self.begun = self.receiver, self.now
        one = sum(r.sweep + (r.beam_switch if i else 0.0) for i in range(r.beams))
        if self.chi is None:
            second = one + r.polarisation_switch
            self.reading = [(0.0, 0.0), (second, math.pi / 2), (second + one, None)]
        else:
            self.reading = [(0.0, self.chi.at), (one, None)]
        back = r.beam_switch if r.beams > 1 else 0.0
        if self.chi is None:
            back = max(back, r.polarisation_switch)
        self.free = self.now + self.reading[-1][0] + back

    def wait(self, condition):
        while not condition():
            self.tick()

    def stand(self):
        self.wait(lambda: all(m is None or m.settled for m in (self.theta, self.phi, self.chi)))


def stop_and_go(theta, phi, positioner, receiver):
    """Read at rest at each position; with an axis chi all once more, backwards."""
    bench = Bench(positioner, receiver)
    bench.theta.at = bench.theta.goal = theta[0]
    bench.phi.at = bench.phi.goal = phi[0]
    places = list(zip(theta, phi, strict=True))
    passes = [places] if bench.chi is None else [places, places[::-1]]
    for i, way in enumerate(passes):
        if i:
            bench.chi.go(math.pi / 2)
        for t, p in way:
            for motor, goal in ((bench.theta, t), (bench.phi, p)):
                if motor.at != goal:
                    motor.go(goal)
                    motor.rest = 0.0
            if i and (t, p) == way[0]:
                bench.chi.rest = 0.0
            bench.stand()
            bench.wait(lambda: bench.ready)
            bench.read()
            bench.wait(lambda: not bench.busy)
    return bench


def crossing(bench, motor, at, sense):
    """Wait until a motor passes a position."""
    bench.wait(lambda: sense * (motor.at - at) >= 0)


def sweep(bench, motor, places, speed):
    """Run over the places, from rest to rest, and read at each on the way."""
    sense = math.copysign(1, places[1] - places[0])
    motor.run(sense * speed)
    for place in places:
        crossing(bench, motor, place, sense)
        bench.read()
        bench.wait(lambda: not bench.busy)
    motor.run(0.0)
    bench.wait(lambda: motor.speed == 0)
