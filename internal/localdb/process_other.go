//go:build unix && !linux

package localdb

import "syscall"

// Other systems neither signal a child when its parent dies nor show processes
// in /proc: a kill -9 of the program leaves its server running, and the next
// start is refused by PostgreSQL's own lock until somebody ends it. There the
// program is for trying out; farms run on Linux or with DATABASE_URL.
const seesProcesses = false

func dieWith(*syscall.SysProcAttr, syscall.Signal) {}

func processesIn(string) []int { return nil }
