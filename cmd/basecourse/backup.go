package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"

	"golang.org/x/sys/unix"
)

type backupCmd struct {
	File string `arg:"" help:"File to write; must not be there yet."`
}

// Help is shown by --help.
func (backupCmd) Help() string {
	return `Everything in the database at one instant, while the farm is being used: records, people, tokens, settings, who changed what. Whoever is signed in is left out and signs in again. The file is read back before it gets its name.

It holds the hashes of passwords: it is written for its owner alone (mode 0600); keep it so.

Example:

    basecourse backup /mnt/safe/farm-2026-03-09.backup`
}

// Run backs up.
func (c backupCmd) Run(a *app) error {
	if _, err := os.Lstat(c.File); err == nil {
		return fault.New(fault.Invalid, "%s is there already: name a new file", c.File)
	}
	return a.withStore(false, func(st *store.Store) error {
		part := fmt.Sprintf("%s.part-%d", c.File, os.Getpid())
		m, err := writeBackup(a.ctx, st, part)
		if err != nil {
			return errors.Join(err, removeIfThere(part))
		}
		if err := os.Rename(part, c.File); err != nil {
			return errors.Join(err, removeIfThere(part))
		}
		if err := syncFolder(filepath.Dir(c.File)); err != nil {
			return err
		}
		a.say("%s: %d tables, %d rows, schema version %d, read back. It holds password hashes: keep it where only you can read it.", c.File, len(m.Tables), m.Rows(), m.Schema)
		return nil
	})
}

// writeBackup writes a backup to a path, syncs it and reads it back.
func writeBackup(ctx context.Context, st *store.Store, path string) (m *store.Manifest, err error) {
	out, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, fault.Wrap(fault.Invalid, err, "the backup cannot be written")
	}
	_, err = st.Backup(ctx, out, program(), func(ctx context.Context, at time.Time, seen *store.Store) ([]byte, error) {
		return findingsAt(ctx, seen, at)
	})
	if err == nil {
		err = out.Sync()
	}
	if err = errors.Join(err, out.Close()); errors.Is(err, unix.ENOSPC) {
		return nil, fault.Wrap(fault.Busy, err, "the disk of %s is full: the backup is not written. Make room there, or name a file on another disk", filepath.Dir(path))
	}
	if err != nil {
		return nil, err
	}
	return store.CheckBackup(ctx, path)
}

// findingsAt gives the findings' JSON as of a time.
func findingsAt(ctx context.Context, st *store.Store, at time.Time) ([]byte, error) {
	return newFindings(st).Answer(ctx, at, time.Time{}, time.Time{}, time.Time{})
}

// program names this build.
func program() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	name := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			name = s.Value
		}
	}
	return name
}

func removeIfThere(path string) error {
	if err := os.Remove(path); !os.IsNotExist(err) {
		return err
	}
	return nil
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

type restoreCmd struct {
	File string `arg:"" help:"Backup to bring back."`
}

// Help is shown by --help.
func (restoreCmd) Help() string {
	return `Goes into an empty database only. The file is read through before anything is done; every row is read back and compared before it is kept; a backup of an older version is brought up to this one; the trail of changes is checked; the findings are worked out anew and must equal those of the backup to the digit. At last people are removed again whose removal is in removals.json beside the backup or in the backups of this data folder.

Example, into a new data folder:

    basecourse restore --data /srv/farm-new /mnt/safe/farm-2026-03-09.backup

Example, into a database of your own:

    DATABASE_URL=postgres://farm@db/farm_new basecourse restore farm-2026-03-09.backup`
}

// Run restores.
func (c restoreCmd) Run(a *app) (err error) {
	// What is no backup is refused before a private database is made for it.
	if _, err := store.CheckBackup(a.ctx, c.File); err != nil {
		return err
	}
	d, err := a.openDatabase()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	r, err := store.Restore(a.ctx, d.url, c.File)
	if err != nil {
		return err
	}
	a.say("%d tables, %d rows are back, as of %s; every row was read back and is the same.", len(r.Tables), r.Rows(), r.TakenAt.Format(time.RFC3339))
	st, err := store.Open(a.ctx, d.url)
	if err != nil {
		return err
	}
	defer st.Close()
	if err := a.sealAll(st); err != nil {
		return err
	}
	trail, err := st.Verify(a.ctx, r.AuditHead)
	if err != nil {
		return err
	}
	if trail.Broken > 0 || r.AuditHead != "" && !trail.HeadFound {
		a.printAudit(trail)
		return fault.New(fault.Invalid, "the records are back as they were in the backup, and the trail of changes in it is broken: it was tampered with before the backup was taken")
	}
	a.say("The trail of changes is whole: %d acts.", trail.Acts)
	now, err := findingsAt(a.ctx, st, r.TakenAt)
	if err != nil {
		return err
	}
	switch {
	case bytes.Equal(now, r.Findings):
		a.say("The findings are the same to the digit.")
	case r.Program != program():
		a.say("The findings differ from those of the backup. It was written by another version of the program, which may count in another way; the records are the same.")
	default:
		return fault.New(fault.Invalid, "the records are back and the same, but the findings differ from those of the backup: compare basecourse findings --at %s with findings.json in the backup", r.TakenAt.Format(time.RFC3339Nano))
	}
	var left []store.Removal
	for _, dir := range []string{filepath.Dir(c.File), a.backupFolder()} {
		list, err := readRemovals(filepath.Join(dir, removalsName))
		if err != nil {
			return err
		}
		left = append(left, list...)
	}
	if n, err := st.ApplyRemovals(a.ctx, left); err != nil {
		return err
	} else if n > 0 {
		a.say("People who were removed since the backup was taken are removed again: %d.", n)
	}
	a.say("Whoever was signed in signs in again.")
	return nil
}
