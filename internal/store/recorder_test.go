package store

import (
	"strings"
	"sync"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// operation is something that SQLite asked of the file system.
type operation struct {
	kind   operationKind
	file   string
	offset int64 // of a write; the length that a truncation leaves
	data   []byte
}

type operationKind int

const (
	writing operationKind = iota
	truncating
	syncing
	deleting
)

// recorder is a VFS shim (https://sqlite.org/vfs.html#vfs_shims): SQLite's own VFS does all the work, and what it is asked to
// write, to cut off, to flush and to delete of the files of a folder is noted in order. The -shm file is shared memory that no
// power cut leaves anything of, and is not written through a VFS.
type recorder struct {
	mu         sync.Mutex
	folder     string // "" while nothing is noted
	operations []operation
	names      map[uintptr]string  // of open files
	methods    map[uintptr]uintptr // the shim's tables, by those they replace
	keep       []any               // functions that only C's tables point to
}

// theRecorder is the default VFS of every file opened once it is installed.
var theRecorder = sync.OnceValue(func() *recorder {
	r := &recorder{names: map[uintptr]string{}, methods: map[uintptr]uintptr{}}
	r.install()
	return r
})

// memory turns an address that SQLite handed over into a pointer.
func memory[T any](address uintptr) *T { return *(**T)(unsafe.Pointer(&address)) }

// function turns a pointer of one of SQLite's tables into a function.
func function[F any](address uintptr) F {
	return *(*F)(unsafe.Pointer(&address))
}

// address is the inverse of function. The function must be kept.
func address[F any](r *recorder, f F) uintptr {
	r.keep = append(r.keep, f)
	return *(*uintptr)(unsafe.Pointer(&f))
}

// The functions of the tables that the shim replaces (https://sqlite.org/c3ref/vfs.html, https://sqlite.org/c3ref/io_methods.html).
type (
	openFunction     = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, outFlags uintptr) int32
	deleteFunction   = func(tls *libc.TLS, vfs, name uintptr, syncFolder int32) int32
	writeFunction    = func(tls *libc.TLS, file, data uintptr, amount int32, offset int64) int32
	truncateFunction = func(tls *libc.TLS, file uintptr, size int64) int32
	syncFunction     = func(tls *libc.TLS, file uintptr, flags int32) int32
)

func (r *recorder) install() {
	tls := libc.NewTLS()
	below := *memory[sqlite3.Tsqlite3_vfs](sqlite3.Xsqlite3_vfs_find(tls, 0))
	shim := libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(below)))
	v := memory[sqlite3.Tsqlite3_vfs](shim)
	*v = below
	name, err := libc.CString("recorder")
	if err != nil {
		panic(err)
	}
	v.FzName, v.FpNext = name, 0
	open, remove := function[openFunction](below.FxOpen), function[deleteFunction](below.FxDelete)
	v.FxOpen = address(r, openFunction(func(tls *libc.TLS, vfs, name, file uintptr, flags int32, outFlags uintptr) int32 {
		code := open(tls, vfs, name, file, flags, outFlags)
		if f := memory[sqlite3.Tsqlite3_file](file); code == sqlite3.SQLITE_OK && f.FpMethods != 0 && name != 0 {
			r.mu.Lock()
			r.names[file] = libc.GoString(name)
			f.FpMethods = r.shimOf(tls, f.FpMethods)
			r.mu.Unlock()
		}
		return code
	}))
	v.FxDelete = address(r, deleteFunction(func(tls *libc.TLS, vfs, name uintptr, syncFolder int32) int32 {
		code := remove(tls, vfs, name, syncFolder)
		if code == sqlite3.SQLITE_OK {
			r.note(libc.GoString(name), operation{kind: deleting})
		}
		return code
	}))
	if code := sqlite3.Xsqlite3_vfs_register(tls, shim, 1); code != sqlite3.SQLITE_OK {
		panic(code)
	}
}

// shimOf returns the table of methods that notes and passes on. recorder.mu is held.
func (r *recorder) shimOf(tls *libc.TLS, table uintptr) uintptr {
	if shim, ok := r.methods[table]; ok {
		return shim
	}
	below := *memory[sqlite3.Tsqlite3_io_methods](table)
	shim := libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(below)))
	m := memory[sqlite3.Tsqlite3_io_methods](shim)
	*m = below
	write, truncate := function[writeFunction](below.FxWrite), function[truncateFunction](below.FxTruncate)
	flush := function[syncFunction](below.FxSync)
	m.FxWrite = address(r, writeFunction(func(tls *libc.TLS, file, data uintptr, amount int32, offset int64) int32 {
		code := write(tls, file, data, amount, offset)
		if code == sqlite3.SQLITE_OK {
			r.note(r.name(file), operation{kind: writing, offset: offset, data: libc.GoBytes(data, int(amount))})
		}
		return code
	}))
	m.FxTruncate = address(r, truncateFunction(func(tls *libc.TLS, file uintptr, size int64) int32 {
		code := truncate(tls, file, size)
		if code == sqlite3.SQLITE_OK {
			r.note(r.name(file), operation{kind: truncating, offset: size})
		}
		return code
	}))
	m.FxSync = address(r, syncFunction(func(tls *libc.TLS, file uintptr, flags int32) int32 {
		code := flush(tls, file, flags)
		if code == sqlite3.SQLITE_OK {
			r.note(r.name(file), operation{kind: syncing})
		}
		return code
	}))
	r.methods[table], r.methods[shim] = shim, shim
	return shim
}

func (r *recorder) name(file uintptr) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.names[file]
}

func (r *recorder) note(name string, o operation) {
	r.mu.Lock()
	defer r.mu.Unlock()
	file, inside := strings.CutPrefix(name, r.folder+"/")
	if r.folder == "" || !inside {
		return
	}
	o.file = file
	o.data = append([]byte(nil), o.data...)
	r.operations = append(r.operations, o)
}

// begin notes what happens in a folder from now on.
func (r *recorder) begin(folder string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.folder, r.operations = folder, nil
}

// count returns how many operations there are.
func (r *recorder) count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.operations)
}

// end returns the operations, and notes no more.
func (r *recorder) end() []operation {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.folder = ""
	return r.operations
}
