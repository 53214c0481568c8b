// Package proving is the proving ground: it plays years of an invented room at high speed, knows the truth of each minute, and
// scores dewline and three plain programs on the alarms that they gave.
//
// # What is played
//
// A room-year is a year of the North Loft in steps of one minute: weather, air that follows its walls within a quarter of an hour, a
// conditioner that cycles, doors, water changes, lids, power cuts that take the mains and after which the conditioner may stay off,
// tubs and vivaria that differ in their lag (package sim), nine sensors on twelve measured points, bands of the shipped profile that change with the
// light and with the stages of five cohorts (loft.yaml). Everything in it is invented but the limits and what data sheets
// say of the sensors; the rates of all faults are invented and stand in faults.go, each with its number.
//
// There are two worlds: in the harsh one faults are twice as frequent, sensors twice as noisy, the air is lighter, and the weather
// changes more.
//
// Without faults the room keeps its bands. All chance comes from the seed, in a stream of its own for each room-year and each thing, so
// that neither the number of workers nor what dewline does changes the world.
//
// The keeper acknowledges late, after a time that depends on the hour and not on the player, and then all that has arrived. One that is asleep cures nothing: faults last as long as they were drawn to last, so that all players
// see the same world. A caring one goes to the place of each audible message, ends what goes wrong there, calibrates what he finds to
// be off by more than twice its accuracy, and compares all probes once a month; his world depends on the player that wakes him, so that
// each player has a game of its own.
//
// A message goes up through the uplink of the house, which may be away, and by a push service to a phone that may be off; a few get
// lost. What one player sends in a minute fares as what another sends in that minute.
//
// # Who plays
//
// dewline is the program's own chain from sample to notification ([pipeline.Pipeline], which the daemon runs): line with the tests
// of package quality, core, and rules of notification. Around it are played ticks, steps of the clock, snapshots of which a
// power cut leaves the last one and the readings since but for the last minute, restarts, and repetition until
// a person acknowledges. Files, brokers, buses and threads are not played; other tests have those. The phone hears of what
// is high or critical, by the rule of the webhook in configs/north-loft.yaml. What is medium or low makes no sound
// and is counted apart.
//
// The bare threshold notifies at each crossing out of a limit. The hold time waits for the allowed time, and begins again at each value
// inside. The grouped hold time adds what a careful person would: deadband and delay on the way back, a message where a point gives
// no value for half an hour (one for all that a part measures), repetition, and the grouping that dewline has ([grouped]). All three use the yardsticks as their limits,
// always know the right time and stage, which dewline must find out, and forget everything at a power cut. They see the twelve
// measured points, and get the values that a simple program would get: what a failed read does not give is absent, and everything
// else is believed, also 85 °C after a start. Messages of dewline and of the grouped hold time wait for the uplink, those of the
// other two are gone. A watch outside of the house notifies the keeper where the heartbeat was missed for a quarter of an hour; dewline
// and the grouped hold time have it, and its messages count as theirs.
//
// # What counts
//
// The limits and the allowed times are those of a fixed table (yardstick.go) and never of the configuration under test.
//
// A stay is the time during which the true value of a measured point is beyond a limit in force without a break. It counts
// once it has lasted longer than its allowed time. A stay is
//
//   - clear, if for longer than the allowed time and two readings the value was beyond the limit by more than the stated
//     accuracy, the board had power and a sensor lived;
//   - blind, if only the living sensor was wanting for that;
//   - powerless, if the power of the board was wanting;
//   - unheard, if it was clear, but no message could reach the keeper from the allowed time until it was too late, since his phone was
//     off or the uplink away;
//   - too close to call otherwise: near the limit, or hardly longer than allowed.
//
// A sensor lives while it answers at least once in three minutes (the gap over which readings are joined) and no error of
// its own but lag, noise and step takes it further from the truth than its stated accuracy. A sensor that is stuck, has
// strayed, raves, was left out of the water or lies under a film of water does not live. One in twenty is further off than its data
// sheet says from the start, because accuracies are meant as k = 2.
//
// A stay is found if the keeper knew of it no later than half an hour after the allowed time, counted from when it was clear: a message
// of the player on its limit had arrived, or a silent one of an incident by which he had been woken, and was not taken back; a stay of
// heat in an enclosure also by the room's alarm, which names the enclosures. Else it is missed. An alarm that he knew before the stay
// began has a delay of 0. The delay counts from the true crossing, or from when the board had power and a sensor lived if that was
// later, to the minute in which his phone sounded.
//
// A notification of a limit is true if at that minute the truth is beyond that limit, too close to call if it is inside
// by no more than the stated accuracy, and false otherwise. One of a sensor is true if that sensor, or one that feeds
// the same point (which of two is wrong cannot be known, and the notification says so), had a fault within the last ten
// minutes or was wrong by more than its accuracy, and false otherwise. A forecast is true if within one and a half times its horizon a stay
// beyond its limit begins that lasts longer than it may, too close to call if the truth reaches the limit within the accuracy, and false
// otherwise; a stay is foreseen if a forecast of its limit came before its allowed time was over. Beside all clear stays those are counted
// that could be foreseen: without humidity, of which no forecast is asked, and without stays that begin within ten minutes after a jump of
// the true value, or after the board was without power or the point without a living sensor. False alarms are the audible ones.
// Repetitions, the word that it is over, summaries of floods and advice are counted apart, and as messages; what a summary names counts as notified from the moment at which it arrives, and so does
// what else of its incident is critical by a message on what is critical: those of dewline and of the grouped hold time name it. So each
// message is counted exactly once, which is checked in every room-year.
//
// An alarm that is held back by design is held back wrongly if the truth is beyond its limit and what covers it is a
// sensor's fault, or a room's heat that is not true.
package trial
