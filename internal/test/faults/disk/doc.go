// Package disk breaks what the program writes to: a disk that is full, mounted read-only, slow or held by another process, a
// history file that is removed, damaged, or not this program's. It has tests only. Each of them runs the program itself and
// demands the same: an alarm that comes meanwhile is heard over MQTT and at a webhook, the fault is an alarm, it ends without a
// restart, and nothing is lost that memory could hold.
//
// A full disk is a small tmpfs where one may be mounted, and elsewhere a limit on the size of files (setrlimit(2), which needs
// no privilege). A disk whose calls never return is a frozen ext4 file system in a file where one may be mounted, and elsewhere a
// file that another program holds locked, which blocks the same calls for as long as SQLite waits.
//
// DEWLINE_FAULTS=long holds the faults for longer.
package disk
