package control

import (
	"bufio"
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Running is a daemon that runs on this machine.
type Running struct {
	Process int
	Socket  string
}

// Find lists the control sockets of the daemons that this user may talk to: those of processes of this same program whose
// open files the kernel shows to this user, which are the user's own, and for root all. proc is where procfs is mounted.
//
// It asks the kernel, so that no daemon needs to write a file with the path of its socket, which could outlive the daemon or be
// another user's.
func Find(proc string) []Running {
	entries, err := os.ReadDir(proc)
	if err != nil {
		return nil
	}
	var found []Running
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		folder := filepath.Join(proc, e.Name())
		if err != nil || pid == os.Getpid() || !sameProgram(folder) {
			continue
		}
		for _, socket := range listening(folder) {
			found = append(found, Running{pid, socket})
		}
	}
	slices.SortStableFunc(found, func(a, b Running) int { return cmp.Compare(a.Process, b.Process) })
	return found
}

// sameProgram reports whether a process runs this program: the same file, or after an upgrade one of the same name.
func sameProgram(folder string) bool {
	if own, err := os.Executable(); err == nil {
		mine, errMine := os.Stat(own)
		its, errIts := os.Stat(filepath.Join(folder, "exe"))
		if errMine == nil && errIts == nil && os.SameFile(mine, its) {
			return true
		}
	}
	name, err := os.ReadFile(filepath.Join(folder, "comm"))
	return err == nil && strings.TrimSpace(string(name)) == "dewline"
}

// listening returns the paths of the Unix sockets on which a process listens.
func listening(folder string) (paths []string) {
	files, err := os.ReadDir(filepath.Join(folder, "fd"))
	if err != nil {
		return nil // of another user
	}
	byInode := unixSockets(filepath.Join(folder, "net/unix"))
	for _, f := range files {
		target, err := os.Readlink(filepath.Join(folder, "fd", f.Name()))
		if err != nil {
			continue
		}
		inode, isSocket := strings.CutPrefix(target, "socket:[")
		path := byInode[strings.TrimSuffix(inode, "]")]
		if !isSocket || path == "" {
			continue
		}
		if !filepath.IsAbs(path) { // bound relative to its working directory
			if cwd, err := os.Readlink(filepath.Join(folder, "cwd")); err == nil {
				path = filepath.Join(cwd, path)
			}
		}
		paths = append(paths, path)
	}
	return paths
}

// unixSockets reads the listening sockets with a path of proc_pid_net(5), by inode.
func unixSockets(table string) map[string]string {
	file, err := os.Open(table)
	if err != nil {
		return nil
	}
	defer file.Close()
	const acceptsConnections = 1 << 16 // SO_ACCEPTCON of the kernel
	sockets := map[string]string{}
	for lines := bufio.NewScanner(file); lines.Scan(); {
		// Num RefCount Protocol Flags Type St Inode Path; the path may hold spaces.
		columns := strings.Fields(lines.Text())
		if len(columns) < 8 {
			continue
		}
		flags, err := strconv.ParseUint(columns[3], 16, 64)
		if err != nil || flags&acceptsConnections == 0 || strings.HasPrefix(columns[7], "@") {
			continue
		}
		if _, path, ok := strings.Cut(lines.Text(), " "+columns[6]+" "); ok {
			sockets[columns[6]] = path
		}
	}
	return sockets
}
