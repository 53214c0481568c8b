// Package initramfs makes the file system of a throw-away machine: an archive that its kernel unpacks into memory.
package initramfs

import (
	"bytes"
	"fmt"
)

// File is an entry of the archive: a folder, a file or a symbolic link, whose data is where it points.
type File struct {
	Name string // without a slash before it
	Mode uint32 // as in stat(2), with the kind of entry
	Data []byte
}

// Kinds of entries, with what the owner may do.
const (
	Folder  = 0o040755
	Regular = 0o100644
	Program = 0o100755
	Link    = 0o120777
)

// Archive packs files, folders before what is in them, in the form "newc" of cpio
// (Documentation/driver-api/early-userspace/buffer-format.rst of the kernel).
func Archive(files []File) []byte {
	var b bytes.Buffer
	pad := func() {
		for b.Len()%4 != 0 {
			b.WriteByte(0)
		}
	}
	for i, f := range append(files, File{Name: "TRAILER!!!"}) {
		fmt.Fprintf(&b, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x",
			i+1, f.Mode, 0, 0, 1, 0, len(f.Data), 0, 0, 0, 0, len(f.Name)+1, 0)
		b.WriteString(f.Name)
		b.WriteByte(0)
		pad()
		b.Write(f.Data)
		pad()
	}
	return b.Bytes()
}
