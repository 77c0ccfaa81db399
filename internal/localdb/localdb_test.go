package localdb

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/fault"
)

func TestAClusterIsPrivateAndDurable(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "farm")
	c := open(t, Options{Dir: dir})
	if c.Joined() {
		t.Error("Joined() = true for the process that started the server, want false")
	}
	for _, p := range []string{dir, dir + "/postgres", dir + "/postgres/data", dir + "/postgres/run"} {
		wantMode(t, p, 0o700)
	}
	ctx := testContext(t)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if err := c.EnsureDatabase(ctx, "farm"); err != nil {
				t.Errorf("EnsureDatabase, four at once: %v", err)
			}
		})
	}
	wg.Wait()
	for sql, want := range map[string]string{
		"SHOW listen_addresses":   "",
		"SHOW fsync":              "on",
		"SHOW synchronous_commit": "on",
		"SHOW full_page_writes":   "on",
		"SHOW data_checksums":     "on",
		"SHOW timezone":           "UTC",
		"SHOW server_encoding":    "UTF8",
		"SELECT current_user":     "basecourse",
		"SELECT rolsuper::text FROM pg_roles WHERE rolname = current_user":                   "false",
		"SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = current_database()": "basecourse",
	} {
		if got := queryText(t, c.URL("farm"), sql); got != want {
			t.Errorf("%s: got %q, want %q", sql, got, want)
		}
	}
	pids := processesIn(c.home.data())
	if len(pids) == 0 {
		t.Fatal("no server process has its working folder in the data folder")
	}
	for _, pid := range pids {
		if l := tcpListeners(t, pid); len(l) > 0 {
			t.Errorf("process %d listens on TCP (%v), want no TCP at all", pid, l)
		}
	}
}

func TestDataOutlastsAStop(t *testing.T) {
	dir := madeDir(t)
	ctx := testContext(t)
	c := open(t, Options{Dir: dir})
	if err := c.EnsureDatabase(ctx, "farm"); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(ctx); err != nil {
		t.Fatalf("Close: %v", err)
	}
	if left := processesIn(c.home.data()); len(left) > 0 {
		t.Errorf("after Close processes %v are left, want none", left)
	}
	again := open(t, Options{Dir: dir})
	if got := queryText(t, again.URL("farm"), "SELECT current_database()"); got != "farm" {
		t.Errorf("after a second start: database %q, want farm", got)
	}
}

func TestTheOneThatStartedWaitsForTheOthers(t *testing.T) {
	dir := madeDir(t)
	said := make(chan string, 10)
	first := open(t, Options{Dir: dir, Fast: true, Log: func(s string) { said <- s }})
	second := open(t, Options{Dir: dir, Fast: true})
	if !second.Joined() {
		t.Fatal("the second Open of one folder did not join")
	}
	closed := make(chan error, 1)
	go func() { closed <- first.Close(context.Background()) }()
	select {
	case s := <-said:
		if !strings.Contains(s, "other commands") {
			t.Errorf("while waiting it said %q, want that others use the database", s)
		}
	case err := <-closed:
		t.Fatalf("Close of the first returned (%v) while the second used the server", err)
	}
	third := open(t, Options{Dir: dir, Fast: true})
	if got := queryText(t, third.URL("postgres"), "SELECT 'up'"); got != "up" {
		t.Errorf("a third that joins meanwhile: got %q, want up", got)
	}
	for _, c := range []*Cluster{second, third} {
		if err := c.Close(context.Background()); err != nil {
			t.Errorf("Close of a joined one: %v", err)
		}
	}
	if err := <-closed; err != nil {
		t.Errorf("Close of the first: %v", err)
	}
	wantNoServer(t, dir)
}

func TestTheOneThatStartedStopsUnderTheOthersWhenTold(t *testing.T) {
	dir := madeDir(t)
	first := open(t, Options{Dir: dir, Fast: true})
	open(t, Options{Dir: dir, Fast: true})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := first.Close(ctx); err != nil {
		t.Errorf("Close: %v", err)
	}
	wantNoServer(t, dir)
}

func TestOfStartsAtOnceOneWinsAndTheOthersJoin(t *testing.T) {
	dir := t.TempDir()
	children := make([]*child, 4)
	var wg sync.WaitGroup
	for i := range children {
		wg.Go(func() { children[i] = startChild(t, dir, nil) })
	}
	wg.Wait()
	roles := map[string]int{}
	for _, c := range children {
		roles[c.role]++
	}
	if roles["owner"] != 1 || roles["joined"] != 3 {
		t.Errorf("roles of four starts at once: %v, want one owner and three joined", roles)
	}
	for _, c := range children {
		wg.Go(c.end)
	}
	wg.Wait()
	wantNoServer(t, dir)
}

// killRounds kills the program (even rounds), or its server (every third
// round), and checks that nothing acknowledged is lost and that the next start
// needs no help.
func killRounds(t *testing.T, rounds int) {
	dir := madeDir(t)
	data := filepath.Join(dir, "postgres", "data")
	h := home{root: filepath.Join(dir, "postgres")}
	for i := range rounds {
		c := startChild(t, dir, nil)
		if c.role != "owner" {
			t.Fatalf("round %d: role %q, want owner: a killed run must not be joined", i, c.role)
		}
		time.Sleep(time.Duration(20+i*37%150) * time.Millisecond)
		if i%3 == 1 {
			if pid := h.postmaster(); pid > 0 {
				syscall.Kill(pid, syscall.SIGKILL)
			}
		}
		last := c.kill()
		if i%2 == 1 {
			wantNoServer(t, dir) // else the next start meets the dying server
		}
		again := open(t, Options{Dir: dir})
		got := queryText(t, again.URL("farm"), "SELECT count(*)::text FROM n WHERE who = "+strconv.Itoa(c.cmd.Process.Pid))
		if n, _ := strconv.Atoi(got); n < last+1 {
			t.Errorf("round %d: %d rows after kill -9, want at least the %d acknowledged", i, n, last+1)
		}
		if err := again.Close(context.Background()); err != nil {
			t.Errorf("round %d: Close: %v", i, err)
		}
		if left := processesIn(data); len(left) > 0 {
			t.Errorf("round %d: processes %v are left, want none", i, left)
		}
	}
}

func TestAKilledRunStartsAgainCleanly(t *testing.T) { killRounds(t, 3) }

func TestAKilledServerIsStartedAgainUnderTheProgram(t *testing.T) {
	dir := madeDir(t)
	c := open(t, Options{Dir: dir})
	before := c.home.postmaster()
	if err := syscall.Kill(before, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	ctx := testContext(t)
	for c.home.postmaster() == before {
		if ctx.Err() != nil {
			t.Fatal("the server was not started again")
		}
		time.Sleep(10 * time.Millisecond)
	}
	if err := waitReady(ctx, c.AdminURL("postgres"), nil); err != nil {
		t.Errorf("after kill -9 of the server: %v", err)
	}
}

func TestALockFileWhoseProcessIdWasGivenToAnotherIsNoObstacle(t *testing.T) {
	dir := madeDir(t)
	c := open(t, Options{Dir: dir, Fast: true})
	pidFile, err := os.ReadFile(c.home.pidPath())
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Close(testContext(t)); err != nil {
		t.Fatal(err)
	}
	// PostgreSQL takes any living process of its own account for a postmaster.
	other := exec.Command("sleep", "60")
	if c.home.account.switched {
		other.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(c.home.account.uid), Gid: uint32(c.home.account.gid)}}
	}
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { other.Process.Kill(); other.Wait() }()
	_, rest, _ := strings.Cut(string(pidFile), "\n")
	stale := strconv.Itoa(other.Process.Pid) + "\n" + rest
	if err := os.WriteFile(c.home.pidPath(), []byte(stale), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := c.home.account.own(c.home.pidPath()); err != nil {
		t.Fatal(err)
	}
	open(t, Options{Dir: dir, Fast: true})
	if err := other.Process.Signal(syscall.Signal(0)); err != nil {
		t.Errorf("the other process was harmed: %v", err)
	}
}

func TestAKilledInitdbLeavesNothingThatLooksLikeACluster(t *testing.T) {
	dir := t.TempDir()
	half := filepath.Join(dir, "postgres", "data.new")
	if err := os.MkdirAll(half, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(half, "PG_VERSION"), []byte("15\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	open(t, Options{Dir: dir, Fast: true})
	if _, err := os.Stat(half); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("half-made folder: %v, want it gone", err)
	}
}

func TestAnotherMajorVersionIsRefusedWithAdvice(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "postgres", "data")
	if err := os.MkdirAll(data, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(data, "PG_VERSION"), []byte("12\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(testContext(t), Options{Dir: dir})
	if !fault.Is(err, fault.Conflict) {
		t.Fatalf("Open on data of version 12: %v, want a conflict", err)
	}
	for _, want := range []string{"PostgreSQL 12", "BASECOURSE_POSTGRES_BIN", "export"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("message %q does not mention %q", err, want)
		}
	}
}

func TestAFolderWithALongNameGetsAShortSocket(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("long-name-", 10))
	first := open(t, Options{Dir: dir, Fast: true})
	second := open(t, Options{Dir: dir, Fast: true})
	for _, c := range []*Cluster{first, second} {
		if n := len(c.home.socket + "/.s.PGSQL.5432"); n > longestSocket {
			t.Errorf("socket path of %d bytes, want at most %d", n, longestSocket)
		}
		if got := queryText(t, c.URL("postgres"), "SELECT 'up'"); got != "up" {
			t.Errorf("got %q, want up", got)
		}
	}
	wantMode(t, first.home.socket, 0o700)
	socket := first.home.socket
	t.Cleanup(func() { os.RemoveAll(socket) })
}

func TestResetRefusesWhileInUseAndThenStartsAnew(t *testing.T) {
	dir := madeDir(t)
	ctx := testContext(t)
	c := open(t, Options{Dir: dir, Fast: true})
	if err := c.EnsureDatabase(ctx, "farm"); err != nil {
		t.Fatal(err)
	}
	if err := Reset(ctx, dir); !fault.Is(err, fault.Busy) {
		t.Errorf("Reset while in use: %v, want busy", err)
	}
	if err := c.Close(ctx); err != nil {
		t.Fatal(err)
	}
	if err := Reset(ctx, dir); err != nil {
		t.Fatalf("Reset: %v", err)
	}
	again := open(t, Options{Dir: dir, Fast: true})
	if got := queryText(t, again.AdminURL("postgres"), "SELECT count(*)::text FROM pg_database WHERE datname = 'farm'"); got != "0" {
		t.Errorf("databases named farm after Reset: %s, want 0", got)
	}
}

// The suite runs as whoever started it; as root it is repeated here as an
// ordinary account, so that both are seen wherever root runs it.
func TestAnOrdinaryAccountRunsItsOwn(t *testing.T) {
	dir := filepath.Join(openTempDir(t), "farm")
	var cred *syscall.Credential
	if os.Geteuid() == 0 {
		cred = &syscall.Credential{Uid: 65534, Gid: 65534} // nobody
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(dir, 65534, 65534); err != nil {
			t.Fatal(err)
		}
	}
	c := startChild(t, dir, cred)
	if c.role != "owner" {
		t.Fatalf("role %q, want owner", c.role)
	}
	// Root that comes later joins the account's server.
	again := open(t, Options{Dir: dir})
	if !again.Joined() {
		t.Error("Joined() = false on a folder whose server runs, want true")
	}
	if err := again.Close(testContext(t)); err != nil {
		t.Errorf("Close: %v", err)
	}
	c.end()
	wantNoServer(t, dir)
	// And root that comes first leaves the files to their owner.
	open(t, Options{Dir: dir}).Close(testContext(t))
	second := startChild(t, dir, cred)
	if second.role != "owner" {
		t.Errorf("after a run as the starting account: role %q, want owner", second.role)
	}
	second.end()
	wantNoServer(t, dir)
}

func TestAFolderThatCannotBeMadeIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{"", filepath.Join(file, "farm")} {
		if _, err := Open(testContext(t), Options{Dir: dir}); fault.KindOf(err) == fault.Internal || err == nil {
			t.Errorf("Open(%q): %v, want a refusal that names the folder", dir, err)
		}
	}
}

func TestAnAccountWithoutANameIsToldSo(t *testing.T) {
	if os.Geteuid() != 0 {
		return // only root can be somebody else
	}
	const uid = 54321
	if _, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		return // this machine knows the account
	}
	dir := filepath.Join(openTempDir(t), "farm")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(dir, uid, uid); err != nil {
		t.Fatal(err)
	}
	// Root runs PostgreSQL as the owner of the folder.
	_, err := Open(testContext(t), Options{Dir: dir, Fast: true})
	if !fault.Is(err, fault.NotFound) || !strings.Contains(err.Error(), "DATABASE_URL") {
		t.Errorf("Open as account %d: %v, want advice", uid, err)
	}
}

// A command that is killed just as it starts its server's process leaves the lock
// with that process for a moment: whoever opens then waits and starts a server.
func TestALockThatOutlivesItsCommandForAMomentIsNotJoined(t *testing.T) {
	dir := madeDir(t)
	first := open(t, Options{Dir: dir})
	if err := first.Close(testContext(t)); err != nil {
		t.Fatal(err)
	}
	held, err := tryLockFile(first.home.lockPath("owner"), first.home.account)
	if held == nil || err != nil {
		t.Fatal(held, err)
	}
	time.AfterFunc(300*time.Millisecond, held.release)
	again := open(t, Options{Dir: dir})
	if again.Joined() {
		t.Fatal("joined a command that had ended")
	}
	if got := queryText(t, again.URL("postgres"), "SELECT 'here'"); got != "here" {
		t.Errorf("got %q", got)
	}
}
