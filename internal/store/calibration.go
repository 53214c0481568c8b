package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"

	"dewline/internal/core/instant"
)

// Calibration is a comparison of one channel of a sensor with a reference. Values are in the canonical unit of the quantity,
// uncertainties expanded (k = 2).
type Calibration struct {
	ID          int64 // given by the store
	At          instant.Instant
	Sensor      string
	Channel     string
	Reference   float64
	Uncertainty float64 // of the reference
	Against     string  // in words, such as "ice bath"
	Readings    []float64
}

// AddCalibration keeps a comparison, and returns its ID.
func (s *Store) AddCalibration(ctx context.Context, c Calibration) (int64, error) {
	const doing = "keeping a calibration"
	readings, err := json.Marshal(c.Readings)
	if err != nil {
		return 0, &Error{Doing: doing, Path: s.path, Err: fmt.Errorf("a reading is no number: take the comparison again (%w)", err)}
	}
	s.write.Lock()
	defer s.write.Unlock()
	if s.options.ReadOnly {
		return 0, &Error{Doing: doing, Path: s.path, Err: errQueriesOnly}
	}
	if err := s.attach(ctx); err != nil {
		s.note(err)
		return 0, err
	}
	var id int64
	err = transact(ctx, s.writer(), func(tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, `INSERT INTO calibration (at, sensor, channel, reference, uncertainty, against, readings)
			VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`,
			millis(c.At), c.Sensor, c.Channel, c.Reference, c.Uncertainty, c.Against, string(readings)).Scan(&id)
	})
	return id, s.explain(doing, err)
}

// Calibrations returns the comparisons of a sensor, the oldest first; "" means all sensors.
func (f *file) Calibrations(ctx context.Context, sensor string) (all []Calibration, err error) {
	reader, err := f.reader(ctx)
	if err == nil {
		all, err = collected(scanned(ctx, reader, scanCalibration, `SELECT id, at, sensor, channel, reference, uncertainty, against, readings FROM calibration
			WHERE ? IN ('', sensor) ORDER BY at, id`, sensor))
	}
	return all, f.explain("reading the calibrations", err)
}

func scanCalibration(rows *sql.Rows) (c Calibration, err error) {
	var at int64
	var readings []byte
	if err := rows.Scan(&c.ID, &at, &c.Sensor, &c.Channel, &c.Reference, &c.Uncertainty, &c.Against, &readings); err != nil {
		return c, err
	}
	if err := json.Unmarshal(readings, &c.Readings); err != nil {
		return c, fmt.Errorf("calibration %d: %w: %w", c.ID, errDamaged, err)
	}
	c.At = fromMillis(at)
	return c, nil
}

// AddCalibrationTo keeps a comparison in the file at path, which a daemon may be writing at the same time: nothing else of the
// file is touched, as opening a whole [Store] for writing would do with the chunks that still grow. Where there is no file yet
// one is made.
func AddCalibrationTo(ctx context.Context, path string, c Calibration) (id int64, err error) {
	if !exists(path) {
		s, err := Open(path, Options{})
		if err != nil {
			return 0, err
		}
		if id, err = s.AddCalibration(ctx, c); err != nil {
			_ = s.Close(ctx)
			return 0, err
		}
		return id, s.Close(ctx)
	}
	s := newStore(path, Options{})
	if err := inspect(path); err != nil {
		return 0, s.explain("opening it", err)
	}
	if s.seen, err = os.Stat(path); err != nil {
		return 0, s.explain("opening it", err)
	}
	if s.db, err = openDatabase(ctx, path); err != nil {
		return 0, s.explain("opening it", err)
	}
	id, err = s.AddCalibration(ctx, c)
	if closing := s.explain("closing it", s.db.close()); err == nil {
		err = closing
	}
	return id, err
}
