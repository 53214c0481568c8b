// Package remotewrite sends readings, zone seconds and alarm states to a metrics store by the Prometheus remote-write protocol, version 2.0
// or, where the receiver does not know it, 1.0.
//
// It reads from the history alone, so that it has no queue of its own: days in which the receiver was away are sent afterwards, in order,
// and memory holds an hour at most. How far each point has come is kept in the history too. A minute of a point is sent once nothing
// can be added to it: it is in the file, and the reading after it has come, or its gap has passed. What arrives later than that is left
// out.
//
// A request holds one minute, and is made of what is in the file alone. So what is sent again after a kill are the same requests, which a
// receiver knows already as a whole.
//
// Own encoder, since the client of client_golang (exp/api/remote, 178 kB more in the program for ARMv6, where the whole export with its
// configuration adds 128 kB) has no message of version 1.0, hides the status of an answer, and reads answers without a bound.
package remotewrite
