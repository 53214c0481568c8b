package history

import (
	"context"
	"log/slog"
	"os"
	"time"
)

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
	s := &Store{path: path, options: Options{Now: time.Now}, log: slog.New(slog.DiscardHandler)}
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
