"""Operation of the shared reserve: the judge of every policy, sample by sample.

The rules, made exact
---------------------
Minutes run from the incident's start. Events less than 1e-9 min apart are one instant. Samples do
not know of each other. All litres are reference litres; a dial setting of f through a source with
flow factor k takes f x k litres a minute from its cylinder.

*Instants.* At each instant, in this order: (1) resupply that arrives and kit that returns join the
reserve or the free kit; (2) patients who arrive, then transfers; (3) people found, then promises
called off; (4) flow phases; (5) swaps that become due, and buffers that end; (6) responders and
keys that become free. Then the queue is served once, then buffers without supply are ended
(*Buffer*).

*Patients.* Only those with an option in the policy take part; a patient who has an indication and
no option in the policy counts as out of oxygen from the state's minute (or its start) to transfer
or horizon. One not yet found takes part from its start where it is needed; where its transfer is
not later than its start it is never needed, and a transfer at the same instant as the start is
not later. Dead patients, those gone and those without an option who are connected release
cylinder, regulator and device at the state's minute, there, with what is left.

*Content.* A cylinder's true gauge is its reading plus its gauge error, not below 0, at the
temperature of the reading. What it holds follows from that and never changes with temperature.
"Usable" is what lies above the change pressure at the temperature of use, the "buffer" what lies
between change pressure and safe residual. A cylinder is usable while its usable litres exceed
1e-9.

*There from.* An item that joins at place q at minute j can be used at place p from j plus the
carrying time from q to p, never where none is known. Nothing else moves it; carriers are not
listed responders. What is there at the state's minute joined at its ``since_min``.

*Hands.* Responders of a place are alike and counted: those whose time has come, less those busy,
less two for each patient there who has been connected to a bag-valve-mask (one with an airway
device), also when the oxygen has ended. A connection needs at least one left. It keeps one busy
for ``swap_min``, also when the patient leaves in the meantime. Bagging never ends a connection
that has begun; the count may fall below zero and nothing starts until it is above it again.

*Keys and washers.* Where the file lists keys, a connection that needs a key also keeps one of
that place busy for ``swap_min``. Where it lists washers, a connection that needs one uses up one
of that place. A key is like hands, a washer like supply: without one no cylinder can be taken.
First connections named by the policy use washers and take no time; those that go on from the
state use nothing.

*Connections.* At minute t: the old cylinder comes off and is not used again, the new one runs
from t + ``swap_gap_min``. No oxygen flows in between and that is not counted as out. The clock of
the phases starts at the first minute of flow, at t + gap for a first connection.

*Phases.* Phase k begins when the sum of the earlier phases' minutes has passed since first flow,
whether or not oxygen is running then. If its score is below its chance the flow becomes its flow;
otherwise the flow stays and the later phases are dropped.

*Swap due.* When the true gauge of a running cylinder reaches the change pressure.

*Queue.* Everyone who is there, has no connection under way (from its beginning to its flow), and
has a swap due or no cylinder; by category, need, longest waiting (since due, or since found, or
since the state says), file order; or need first, where the file says so. One pass; who cannot be
served is passed over.

*Kit.* A patient keeps regulator and device. One who lacks a device takes the first free one of
its option's kind and its age that is there by now. One who has a regulator uses cylinders of that
connection. One who has none takes the first free regulator, in file order, that is there by now,
has all flows of the option on its settings and has a cylinder there that the patient may take; if
there is none, a cylinder with a built-in valve that has the flows on its settings. Someone on a
built-in valve goes on with built-in valves while one can be taken, else takes a regulator like
anyone who has none. Nothing is taken unless all of it (hands, key, washer, device, regulator,
cylinder) is there at that instant.

*Which cylinder.* The first on the printed list that is usable, in the reserve, there by now,
fits, is not promised to somebody else, and is allowed by every kept-for row. After those on the
list come the others, most usable litres first, ties in file order.

*Lines.* A regulator with several outlets feeds that many patients at its place, one a line, from
one cylinder, each at its own dial setting. In the order of regulators above, one in use stands for
one of its outlets: it can be taken while an outlet is free, somebody at that very place breathes
from it (the flow of a line has begun), no swap of it is due, and all flows of the option are on its
settings. Joining so needs a mask and a responder, busy for ``swap_min``, but no key, no washer and
no cylinder, and no kept-for row forbids it; the new line runs from t + ``swap_gap_min``, the others
go on. Of the patients on one cylinder the first in the order of service (category and need as
above, then file order) stands for all: its swap is due when their cylinder reaches the change
pressure, it is in the queue, its category counts where it would take a cylinder, a late swap is its
own. A line that is being joined holds no swap up. One connection serves all: all are without flow
for the gap, all begin again together, and all are out of oxygen together. Whoever leaves takes the
mask; the others go on, the first of those who are left stands for them, has been waiting as long,
and a late swap counted by then is not counted again; cylinder and regulator go with the last. First
connections on one cylinder use one washer. Whoever has had no oxygen yet when the source is
swapped, or runs out, begins its phases at the next flow.

*Concentrators.* A concentrator counts as a cylinder with a built-in valve that holds minutes in
place of litres: as many as its power lasts while it runs, at whatever flow, without error. Its swap
is due ``POWER_CHANGE_MIN`` before the end of its power, the buffer lasts to the end. Its usable
litres, where they order what is not on the list, are those minutes at its highest setting. It fits
no mask with a reservoir. It does not leave: at the transfer it joins the reserve there at that
instant. It stands outside all litres.

*Moves.* A patient may have legs, one after another: where to, a minute before which it does not
leave, and how long it takes. It wants to leave from the later of that minute and its being there
(found, or arrived by the leg before). It leaves at the first instant from then on at which no
connection of it is under way and (a) a connection was made for leaving, whatever the new cylinder
holds; or (b) oxygen runs, no swap is due, and its cylinder holds above the safe residual at least
``LEG_MARGIN`` times what flows in the length of the leg at the flow of that minute; or (c) it could
not be connected with hands and keys enough, for want of a cylinder, washer, regulator or mask that
it may take; or (d) it has no option. Otherwise it waits, and where oxygen runs and no swap was due,
one is due from that instant on: an early one. Its oxygen goes on to the change pressure, from which
minute on the swap is due as any other; an early one is never late, and is called off when the
patient leaves by (c). Leaving comes after (5) at each instant, in file order; where somebody is
left after the queue who would leave by (c) now, its buffer is not ended and the instant is gone
through once more. On a leg the patient is at no place: nothing is connected, nobody is held by
bagging, and a swap that falls due waits with the buffer, to its end, whatever there is. Cylinder,
regulator and mask go along, to be used on arrival at that place. Arrivals come before transfers,
and a transfer that falls on a leg is at its end; one that falls before leaving calls the legs off.
Whoever has a leg still to go takes no outlet in use and no concentrator, and nobody else takes an
outlet of its regulator.

*Kept for.* A row (place or all, connection, category, k) binds patients of a lower category at
that place who would take a cylinder of that connection: at least k other usable cylinders of it,
in the reserve (joined by now, promised to nobody) and with a carrying time to the patient's
place, must stay. It lapses while nobody of that category or above who holds a regulator of that
connection is there, and nobody of that category or above with a promised one is awaited. For the
built-in connection being on such a cylinder counts as holding.

*Promises.* Someone not yet found is awaited until the 95 % point of its start, in every sample;
promised regulator and device are nobody else's till then. Found at that instant or before, the
patient has them, usable where it is from their there-from minute. After it they are free kit
where they were, from that minute on.

*Buffer.* A patient whose swap is due breathes from the buffer while a cylinder it may take is
there (with a washer where one is needed) and only hands or keys are missing: a late swap, if any
time passes; one that was due before the state's minute was counted before it. It is out from the
moment no such cylinder is there, or from the end of the buffer, until a connection starts; oxygen
does not flow then. Someone without a cylinder is out whenever it is there and no connection is
under way.

*Transfer.* Before a connection starts it cancels it; during it the cylinder goes along. Cylinder,
regulator and device leave with the patient, or join at that place ``kit_return_min`` later where
the transfer group has one. Washers are used up. A returned cylinder keeps its rank on the list.

*Count.* Minutes out run to transfer or horizon. A patient runs out where they exceed 1e-9.
"""
