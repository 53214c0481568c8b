// Package clock breaks the clock under the running program: hours behind, in 1970, set forward and back, set while the program was
// down, centuries ahead, slewed, over the changes of summer time and a leap day. Its tests run the program itself on a rehearsal's clock
// (internal/test/clockfile), since a preloaded library cannot deceive a Go program, which asks the kernel by itself, and a time
// namespace leaves the wall clock alone. One run on a kernel whose real clock is set is in the package machine below it.
//
// What must hold in every case: no delay and no exposure counts a step, nothing that was read is overwritten or lost, alarms
// neither fire again nor stop being judged, and once the clock is confirmed the record says when things happened.
package clock
