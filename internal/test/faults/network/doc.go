// Package network breaks what lies between the program and the people it informs: the broker, the way to it, its certificate and
// its password, webhooks and mail servers. It has tests only. Each of them runs the program itself against real peers behind
// a [gate] that a test can shut, stall or let flap, keeps a tub too warm meanwhile, and looks afterwards whether every transition
// has arrived, once, in order and with the time at which it happened.
//
// DEWLINE_FAULTS=long takes the three days at a slower pace, with many more alarms.
package network
