// Package cohort turns the animals' record into intervals: which cohort lived where, at which stage, how many, from when to when.
// The record is the part of the journal that people write about their animals, and the cohorts of the configuration, which begin what
// the journal has not yet seen. The rest of the core sees intervals only.
//
// An entry counts from its effective time, whenever it was written. Nothing is edited: an entry that corrects another one takes its
// place, and a correction can be corrected in turn. The order in which entries arrive makes no difference.
package cohort
