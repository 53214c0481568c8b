package store

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
	"os"
	"slices"
	"sync"
)

// logSuffix is the suffix of the write-ahead log, in which SQLite keeps what is not in the main file yet.
const logSuffix = "-wal"

// Sizes in a write-ahead log: https://sqlite.org/fileformat.html#the_write_ahead_log
const (
	logHeaderSize   = 32
	frameHeaderSize = 24
	maxPageSize     = 1 << 16
)

// checksum is the running checksum of a write-ahead log. Each frame stores its value up to and including that frame.
type checksum [2]uint32

// add works on two variables and without [binary.ByteOrder], since an alarm may wait for the look at a whole log.
func (c checksum) add(bigEndian bool, data []byte) checksum {
	first, second := c[0], c[1]
	for ; len(data) >= 8; data = data[8:] {
		a, b := binary.LittleEndian.Uint32(data), binary.LittleEndian.Uint32(data[4:])
		if bigEndian {
			a, b = bits.ReverseBytes32(a), bits.ReverseBytes32(b)
		}
		first += a + second
		second += b + first
	}
	return checksum{first, second}
}

func storedChecksum(data []byte) checksum {
	return checksum{binary.BigEndian.Uint32(data), binary.BigEndian.Uint32(data[4:])}
}

// logHeader is the header of a write-ahead log. The salts change whenever SQLite begins the log again from its start, so that
// frames left from before are not taken for new ones.
type logHeader struct {
	bigEndian bool // the words of which the checksum is made
	pageSize  int
	salts     [8]byte
	sum       checksum
}

func parseLogHeader(header []byte) (h logHeader, ok bool) {
	switch binary.BigEndian.Uint32(header) {
	case 0x377f0682:
	case 0x377f0683:
		h.bigEndian = true
	default:
		return h, false
	}
	h.pageSize = int(min(binary.BigEndian.Uint32(header[8:]), maxPageSize+1))
	copy(h.salts[:], header[16:24])
	h.sum = storedChecksum(header[24:])
	return h, h.pageSize >= 512 && h.pageSize <= maxPageSize && checksum{}.add(h.bigEndian, header[:24]) == h.sum
}

// logMark is a position in a write-ahead log: the end of the last transaction that was whole when the log was last looked at.
type logMark struct {
	salts  [8]byte
	frames int
	sum    checksum // of the last of them
}

// scanLog reads a log up to its first frame that is not whole, or up to limit frames; limit < 0 means all. Where from is a
// mark in the same log it begins there. The mark is zero for an empty log; ok is false where the header is damaged. Whole frames
// behind the last transaction do not count: a program that was killed in the middle of a write has left them, and the next
// transaction overwrites them.
func scanLog(log io.ReaderAt, from logMark, limit int) (m logMark, ok bool, err error) {
	header := make([]byte, logHeaderSize)
	if _, err := log.ReadAt(header, 0); cutShort(err) {
		return m, true, nil
	} else if err != nil {
		return m, false, err
	}
	h, ok := parseLogHeader(header)
	if !ok {
		return m, false, nil
	}
	if m = from; m.salts != h.salts {
		m = logMark{salts: h.salts, sum: h.sum}
	}
	size := frameHeaderSize + h.pageSize
	begin := logHeaderSize + int64(m.frames)*int64(size)
	in, _ := logReaders.Get().(*bufio.Reader) // the pool holds nothing else
	defer logReaders.Put(in)
	in.Reset(io.NewSectionReader(log, begin, math.MaxInt64-begin))
	for at := m; at.frames != limit; {
		frame, err := in.Peek(size)
		if cutShort(err) {
			break
		} else if err != nil {
			return m, true, err
		}
		sum, whole := h.next(at.sum, frame)
		if !whole {
			break
		}
		at.sum = sum
		at.frames++
		if commits(frame) {
			m = at
		}
		if _, err := in.Discard(size); err != nil {
			return m, true, err
		}
	}
	return m, true, nil
}

// logReaders are kept, since each alarm needs one. Their buffers hold the largest frame.
var logReaders = sync.Pool{New: func() any { return bufio.NewReaderSize(nil, frameHeaderSize+maxPageSize) }}

func cutShort(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
}

// next returns the checksum of a frame that follows one with the checksum before, and whether the frame is whole.
func (h logHeader) next(before checksum, frame []byte) (sum checksum, whole bool) {
	sum = before.add(h.bigEndian, frame[:8]).add(h.bigEndian, frame[frameHeaderSize:])
	return sum, [8]byte(frame[8:16]) == h.salts && storedChecksum(frame[16:]) == sum
}

// commits reports whether a frame is the last of a transaction.
func commits(frame []byte) bool { return binary.BigEndian.Uint32(frame[4:]) != 0 }

// inspectLog looks at the write-ahead log before SQLite does. SQLite takes a log that it cannot read for an empty one, and
// ends at the first frame that is damaged, whatever follows. After a power cut that is right: at most the last transaction was
// not on the disk yet. Where whole transactions follow a damaged frame the log was damaged later: then the damaged frames
// are left out, and repaired is true.
func (f *file) inspectLog() (repaired bool, err error) {
	content, err := os.ReadFile(f.path + logSuffix)
	if errors.Is(err, os.ErrNotExist) || err == nil && len(content) < logHeaderSize { // empty, or cut off while it was begun
		return false, nil
	}
	if err != nil {
		return false, err
	}
	h, ok := parseLogHeader(content)
	if !ok && inMainFile(content[logHeaderSize:], f.path) {
		return false, nil
	}
	if !ok {
		aside, err := f.setAside(logSuffix)
		if err != nil {
			return false, err
		}
		f.addNotice(fmt.Sprintf("%s%s was damaged: what was written last to the history, minutes or hours of it, is lost. It was set aside as %s. "+
			"Watching and alarms go on. Look at the card: it may be failing", f.path, logSuffix, aside))
		return false, nil
	}
	good, lost := h.withoutDamage(content)
	if lost == 0 {
		return false, nil
	}
	aside, err := f.setAside(logSuffix)
	if err != nil {
		return false, err
	}
	if err := writeSynced(f.path+logSuffix, good); err != nil {
		return false, err
	}
	f.addNotice(fmt.Sprintf("%s%s was damaged: of what was written last to the history %d kB are lost, and the rest was taken over. It was set "+
		"aside as %s. Watching and alarms go on. Look at the card: it may be failing", f.path, logSuffix, lost*h.pageSize/1024, aside))
	return true, nil
}

// inMainFile reports whether a log without a header holds nothing that is not in the main file as well. So it is where the power was
// cut while SQLite began the log again, which it does when all of it has been copied. The first frame shares a sector with the
// header and is not looked at.
func inMainFile(frames []byte, path string) bool {
	if len(frames) == 0 {
		return true
	}
	file, err := os.Open(path)
	if err != nil {
		return false
	}
	defer file.Close()
	pages := map[uint32][]byte{}
	for at := frameHeaderSize + ourPageSize; at+frameHeaderSize+ourPageSize <= len(frames); at += frameHeaderSize + ourPageSize {
		pages[binary.BigEndian.Uint32(frames[at:])] = frames[at+frameHeaderSize:][:ourPageSize]
	}
	page := make([]byte, ourPageSize)
	for number, content := range pages {
		if _, err := file.ReadAt(page, (int64(number)-1)*ourPageSize); err != nil || !bytes.Equal(page, content) {
			return false
		}
	}
	return len(pages) > 0
}

// withoutDamage returns the log with its whole frames alone, and how many frames before the last whole transaction are damaged.
// The frame behind a damaged one counts as damaged too where its checksum cannot be verified.
func (h logHeader) withoutDamage(content []byte) (good []byte, lost int) {
	good = slices.Clone(content[:logHeaderSize])
	size := frameHeaderSize + h.pageSize
	before, sum := h.sum, h.sum // as stored in the old log, and in the new one
	damaged, commitsAfter := 0, 0
	for frame := range slices.Chunk(content[logHeaderSize:], size) {
		if len(frame) < size {
			break
		}
		_, whole := h.next(before, frame)
		before = storedChecksum(frame[16:])
		if !whole {
			damaged++
			continue
		}
		if commits(frame) && damaged > 0 {
			commitsAfter++
			lost = damaged
		}
		good, sum = h.appendFrame(good, sum, frame[:8], frame[frameHeaderSize:])
	}
	if commitsAfter < 2 {
		return nil, 0
	}
	return good, lost
}

// appendFrame appends a frame to a log whose last checksum is sum. The first 8 bytes are the page number and the size of the
// database in pages after a commit.
func (h logHeader) appendFrame(log []byte, sum checksum, first8, page []byte) ([]byte, checksum) {
	sum = sum.add(h.bigEndian, first8).add(h.bigEndian, page)
	log = append(append(log, first8...), h.salts[:]...)
	log = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(log, sum[0]), sum[1])
	return append(log, page...), sum
}

func writeSynced(path string, content []byte) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = file.Write(content)
	return errors.Join(err, file.Sync(), file.Close())
}

// logPages is how many pages the log may hold before they are copied into the main file, behind a commit of readings. Alarms come one
// after the other, and the next one would wait for the copying: behind an entry it is done only where the log has become longer still.
// SQLite itself would do it within the write that has filled the log; it is left the rare case that much is written at once (see
// writerPragmas).
const (
	logPages       = 1000
	logPagesAlarms = 3 * logPages
)

// markLog remembers which log is in use and how much of it is whole, and copies one of so many pages into the main file. Store.write is
// held.
func (f *file) markLog(ctx context.Context, pages int) {
	if f.seenLog == nil {
		f.seenLog, _ = os.Stat(f.path + logSuffix) // it exists after the next write
	}
	frames := f.committedFrames(ctx)
	m, err := f.scan(f.logMark, frames)
	switch {
	case err != nil: // the look before the next write meets it; a log that is away with its folder comes back as it was
	case m.frames < frames: // lost since the write: that look finds less than there has to be
		f.logMark.frames = frames
	default:
		f.logMark = m
	}
	if frames >= pages {
		_, _ = f.database().writer.ExecContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)") // the next write tries again
	}
}

// askLog asks for the number of frames and changes nothing.
const askLog = "PRAGMA wal_checkpoint(NOOP)"

// committedFrames asks SQLite how many frames of the log it uses; 0 where it does not say. There can be whole transactions behind them: a
// program that was killed before it had published its last one leaves it in the log, and where another program keeps the index alive
// SQLite does not look for it, but overwrites it.
func (f *file) committedFrames(ctx context.Context) int {
	var busy, frames, moved int
	err := f.database().often[askLog].QueryRowContext(ctx).Scan(&busy, &frames, &moved)
	if err != nil || busy != 0 {
		return 0
	}
	return max(frames, 0)
}

// scan reads the log in use. Where there is none under its name the error is [os.ErrNotExist].
func (f *file) scan(from logMark, limit int) (logMark, error) {
	file, err := os.Open(f.path + logSuffix)
	if err != nil {
		return logMark{}, err
	}
	defer file.Close() // SQLite holds no lock on this file that the close would drop
	m, ok, err := scanLog(file, from, limit)
	if err == nil && !ok {
		err = fmt.Errorf("%w: the header of its log is overwritten", errDamaged)
	}
	return m, err
}

// checkLog verifies what was whole in the log at the last write. Until the log is in the main file SQLite reads its frames
// without looking at their checksums, and after a restart ends at the first damaged one.
func (f *file) checkLog(ctx context.Context) error {
	if f.logMark.frames == 0 {
		return nil
	}
	for range 2 { // another program may begin the log again during the first look
		m, err := f.scan(logMark{}, f.logMark.frames)
		if errors.Is(err, os.ErrNotExist) {
			m, err = logMark{}, nil
		}
		switch {
		case err != nil && !errors.Is(err, errDamaged):
			return err
		case err == nil && m == logMark{}:
			return f.checkEmptyLog(ctx)
		case err == nil && (m.salts != f.logMark.salts || m == f.logMark):
			return nil
		}
	}
	return fmt.Errorf("%w: its log is overwritten", errDamaged)
}

// checkEmptyLog finds out whether a log that is empty now was emptied by SQLite.
func (f *file) checkEmptyLog(ctx context.Context) error {
	var busy, frames, moved int
	err := f.database().writer.QueryRowContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &frames, &moved)
	if err == nil && frames <= 0 {
		return nil
	}
	return fmt.Errorf("%w: its log is cut off", errDamaged)
}

// logStillThere finds out whether the log was removed or replaced while it was in use: SQLite would go on with the removed
// one, and at the end of the program everything in it would be gone. It is copied into the file, which is then opened again.
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
	s.addNotice(fmt.Sprintf("%s%s was removed while it was in use. Nothing is lost: what was in it is in the history now", s.path, logSuffix))
	s.detach()
	return s.attach(ctx)
}
