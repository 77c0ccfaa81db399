package localdb

import (
	"os"
	"path/filepath"
	"strconv"
	"syscall"
)

// seesProcesses: leftovers of killed runs can be found.
const seesProcesses = true

// dieWith has the kernel signal the child when this process dies, however it
// dies.
func dieWith(attr *syscall.SysProcAttr, sig syscall.Signal) { attr.Pdeathsig = sig }

// processesIn lists the PostgreSQL processes whose working folder is dir, as
// that of every server process is. Processes of other accounts cannot be seen
// by an ordinary user and are none of ours.
func processesIn(dir string) []int {
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil
	}
	var pids []int
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		cwd, err := os.Readlink(filepath.Join("/proc", e.Name(), "cwd"))
		if err != nil || cwd != dir {
			continue
		}
		// A person may stand in the folder with a shell.
		exe, err := os.Readlink(filepath.Join("/proc", e.Name(), "exe"))
		if err != nil {
			continue
		}
		switch filepath.Base(exe) {
		case "postgres", "postgres (deleted)":
			pids = append(pids, pid)
		}
	}
	return pids
}
