package history

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
)

// logSuffix is that of the write-ahead log, in which SQLite keeps what is not in the file itself yet.
const logSuffix = "-wal"

// inspectLog looks at the write-ahead log before SQLite does, which would take one that it cannot read for an empty one and
// write over it. A log that ends in nonsense cannot be told from one that a power cut has cut short, and is none.
func (s *Store) inspectLog() error {
	file, err := os.Open(s.path + logSuffix)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer file.Close()
	header := make([]byte, 32)
	if _, err := io.ReadFull(file, header); errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil // empty, or cut off while it was begun
	} else if err != nil {
		return err
	}
	if validLog(header) {
		return nil
	}
	aside, err := s.setAside(logSuffix)
	if err != nil {
		return err
	}
	s.tell(fmt.Sprintf("%s%s was damaged, and what had been written last is lost. It was set aside as %s. Look at the card", s.path, logSuffix, aside))
	return nil
}

// validLog checks the header of a write-ahead log: https://sqlite.org/fileformat.html#the_write_ahead_log
func validLog(header []byte) bool {
	var order binary.ByteOrder = binary.LittleEndian
	switch binary.BigEndian.Uint32(header) {
	case 0x377f0682:
	case 0x377f0683:
		order = binary.BigEndian
	default:
		return false
	}
	var a, b uint32
	for i := 0; i < 24; i += 8 {
		a += order.Uint32(header[i:]) + b
		b += order.Uint32(header[i+4:]) + a
	}
	return a == binary.BigEndian.Uint32(header[24:]) && b == binary.BigEndian.Uint32(header[28:])
}

// seeLog remembers which log is in use. Store.write is held.
func (s *Store) seeLog() {
	if s.seenLog == nil {
		s.seenLog, _ = os.Stat(s.path + logSuffix) // it will be there after the next write
	}
}

// logStillThere finds out whether the log was removed or replaced while it was in use: SQLite would go on with the removed
// one, and at the end of the program all that stands in it would be gone. It is put into the file, which is then opened anew.
func (s *Store) logStillThere(ctx context.Context) error {
	if s.seenLog == nil {
		return nil
	}
	info, err := os.Stat(s.path + logSuffix)
	if err == nil && os.SameFile(info, s.seenLog) {
		return nil
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return s.explain("looking for its log", err)
	}
	var busy, frames, moved int
	row := s.writer().QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	if err := row.Scan(&busy, &frames, &moved); err != nil {
		return s.explain("putting its log back", asDamage(err))
	}
	if busy != 0 {
		return &Error{Doing: "putting its log back", Path: s.path, Kind: ErrBusy}
	}
	s.tell(fmt.Sprintf("%s%s was removed while it was in use. What stood in it is in the file now", s.path, logSuffix))
	s.detach()
	return s.attach(ctx)
}
