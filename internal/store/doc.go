// Package store keeps the history: everything that was read and everything that happened, in one SQLite file that survives
// power cuts and spares the card.
//
// # Use
//
// [Open] returns a [Store]. The daemon's loop hands it every reading with [Store.Append], which only touches memory, and calls
// [Store.Commit] once a minute, which writes. What must not be lost at all goes through [Store.Record]: journal entries,
// the rows of the outbox that belong to them and the state of the core, durable together or not at all. After a start
// [Store.LoadCore] and [Store.ReadingsSince] bring the core back to where it was.
//
//	store, err := store.Open("/var/lib/dewline/history.db", store.Options{Log: log})
//	store.Append(run, point, at, 21.37, quantity.Pass, 0.01)
//	err = store.Commit(ctx)                        // once a minute
//	err = store.Record(ctx, entries, items, state) // at once
//	columns, err := store.Columns(ctx, point, from, to, 1200)
//
// # What is promised
//
// At a power cut at most the readings since the last Commit are lost, and never an entry or an outbox row whose Record
// returned nil (WAL, synchronous=FULL). Values are kept to the last bit and times to the millisecond; nothing depends on
// readings being evenly spaced, in order or unique, and a step of the clock overwrites and rejects nothing. An error of the
// disk is returned, never waited for: what could not be written stays in memory up to a bound, is still found by the
// queries, and is written by the next call that succeeds. [Store.Health] reports it.
//
// # Chunks
//
// The readings of a point are kept in chunks of at most [ChunkReadings] readings and [ChunkSpan] of time, one row each,
// with a summary (number, extremes, sum, flags) beside the compressed readings, so that a long trend decodes only the
// chunks that a column's edge cuts. The chunks still growing are in a small table of their own that is rewritten at each Commit.
// The format of the compressed readings is described in codec.go; the SQL views `readings` and `minutes` decode it in
// plain SQL, so that any SQLite tool can read the file without this program.
//
// # Clock steps
//
// Each chunk belongs to a segment: a stretch of one run (boot) without a step of the clock. Where chunks of one point
// overlap, the reading of the later segment is shown, and [Store.AllReadings] gives the hidden ones too. What was recorded by a
// clock that had not been confirmed is moved by [Store.Restamp] once it is.
package store
