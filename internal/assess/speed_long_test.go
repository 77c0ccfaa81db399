//go:build long

package assess_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/localdb"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"

	"github.com/jackc/pgx/v5"
)

// The farm is invented by a process of its own, because that takes more memory
// than may be used here: the test's binary started anew with this set.
const inventInto = "BASECOURSE_INVENT_INTO"

// speedPrinters is how many printers made the first layers: the fewer, the longer they
// took. Without it, one for a thousand, which is nine weeks.
const speedPrinters = "BASECOURSE_SPEED_PRINTERS"

// columns of first_layers that findings read.
const peerColumns = `id, started_at, graded_at, printer, plate, grader, material, grade, underside, start_is, plate_side, plate_turned, probed, marks`

// TestFindingsSpeed times `basecourse findings` over a farm beside psql copying
// the same columns of the same first layers in order of time to a pipe that
// drops them: a process of its own each, alternating, medians, warm cache, the
// indexes that are shipped. BASECOURSE_SPEED_LAYERS and BASECOURSE_SPEED_ROUNDS
// change the size; BASECOURSE_SPEED_TIMES=10 adds a farm ten times as large,
// made of ten copies with printers and plates of their own.
func TestFindingsSpeed(t *testing.T) {
	layers, rounds, times := fromEnv("BASECOURSE_SPEED_LAYERS", 1_000_000), fromEnv("BASECOURSE_SPEED_ROUNDS", 5), fromEnv("BASECOURSE_SPEED_TIMES", 1)
	printers := fromEnv(speedPrinters, max(10, layers/1000))
	if dir := os.Getenv(inventInto); dir != "" {
		sc := simfarm.Large(printers, layers)
		if sc.Days > 120 { // what is yet to come is not taken
			sc.Start = sc.Start.AddDate(0, 0, 63-sc.Days)
		}
		if err := intake.WriteFolder(dir, simfarm.Run(sc, 1).Bundle()); err != nil {
			t.Fatal(err)
		}
		return
	}
	cluster, program := speedFarm(t)
	url := cluster.URL("farm")
	once := alternate(t, program, url, rounds)
	if once.ratio > 4 {
		t.Errorf("findings take %.2f times as long as copying the columns, want at most 4", once.ratio)
	}
	if once.peak > 1<<30 {
		t.Errorf("findings take %d MiB at most, want at most 1024", once.peak>>20)
	}
	if times <= 1 {
		return
	}
	multiply(t, cluster.AdminURL("farm"), times)
	settle(t, cluster.AdminURL("farm"))
	many := alternate(t, program, url, rounds)
	growth := many.took.Seconds() / once.took.Seconds()
	t.Logf("%d times the rows take %.2f times as long", times, growth)
	if growth > 1.1*float64(times) {
		t.Errorf("%d times the rows take %.2f times as long, want at most %.1f", times, growth, 1.1*float64(times))
	}
}

// speedFarm invents the farm and imports it into a cluster of its own; program is the
// command built.
func speedFarm(t *testing.T) (cluster *localdb.Cluster, program string) {
	t.Helper()
	ctx := context.Background()
	home, err := os.MkdirTemp("", "basecourse-speed-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(home) })
	bundle := filepath.Join(home, "bundle")
	program = filepath.Join(home, "basecourse")
	if err := os.Mkdir(bundle, 0o755); err != nil {
		t.Fatal(err)
	}
	invent := exec.Command(os.Args[0], "-test.run=^TestFindingsSpeed$")
	invent.Env = append(os.Environ(), inventInto+"="+bundle)
	mustRun(t, invent)
	mustRun(t, exec.Command("go", "build", "-o", program, "basecourse/cmd/basecourse"))
	cluster, err = localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cluster.Close(ctx) })
	if err := cluster.EnsureDatabase(ctx, "farm"); err != nil {
		t.Fatal(err)
	}
	url := cluster.URL("farm")
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatal(err)
	}
	load := exec.Command(program, "import", bundle)
	load.Env = environ(url)
	mustRun(t, load)
	_ = os.RemoveAll(bundle)
	settle(t, cluster.AdminURL("farm"))
	return cluster, program
}

type measured struct {
	took  time.Duration
	ratio float64
	peak  int64 // bytes
}

// alternate measures both programs in turn and takes the medians.
func alternate(t *testing.T, program, url string, rounds int) measured {
	t.Helper()
	var ours, peers []time.Duration
	var peak int64
	answer := ""
	for i := range rounds + 1 {
		begun := time.Now()
		mustRun(t, exec.Command("sh", "-c", `psql "$0" -X -q -c "\copy (select `+peerColumns+` from first_layers order by started_at) to STDOUT" | cat > /dev/null`, url))
		peer := time.Since(begun)
		our, high, out := timeFindings(t, program, url)
		if answer == "" {
			answer = out
		} else if out != answer {
			t.Error("two answers of the same farm differ")
		}
		if i == 0 {
			continue // warms the cache
		}
		peers, ours, peak = append(peers, peer), append(ours, our), max(peak, high)
		t.Logf("round %d: psql %.2f s, findings %.2f s, peak %d MiB", i, peer.Seconds(), our.Seconds(), high>>20)
	}
	m := measured{took: median(ours), peak: peak}
	m.ratio = m.took.Seconds() / median(peers).Seconds()
	t.Logf("medians of %d: psql %.2f s, findings %.2f s = %.2f times; peak %d MiB", rounds, median(peers).Seconds(), m.took.Seconds(), m.ratio, peak>>20)
	return m
}

// timeFindings runs the command and watches its peak resident memory, which the
// kernel keeps as VmHWM while it runs.
func timeFindings(t *testing.T, program, url string) (took time.Duration, peak int64, out string) {
	t.Helper()
	cmd := exec.Command(program, "findings", "--format", "json", "--at", "2035-01-01T00:00:00Z")
	cmd.Env = environ(url)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	begun := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	for {
		select {
		case err := <-ended:
			if err != nil {
				t.Fatalf("findings: %v\n%s", err, stderr.String())
			}
			return time.Since(begun), peak, stdout.String()
		case <-time.After(10 * time.Millisecond):
			peak = max(peak, highWater(cmd.Process.Pid))
		}
	}
}

// environ is the environment of a command on a database, without this test's
// own variables, which the command would refuse.
func environ(url string) []string {
	list := slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "BASECOURSE_SPEED_") })
	return append(list, "DATABASE_URL="+url)
}

func highWater(pid int) int64 {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(status)) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "VmHWM:" {
			kB, _ := strconv.ParseInt(f[1], 10, 64)
			return kB << 10
		}
	}
	return 0
}

// settle does what the server does by itself in the first minutes.
func settle(t *testing.T, admin string) {
	t.Helper()
	sql(t, admin, `VACUUM ANALYZE`)
	sql(t, admin, `CHECKPOINT`)
}

// multiply puts copies of all that happened beside it, with printers and plates
// of their own. Each copy is written in one go, as if its farm had been
// imported after the one before.
func multiply(t *testing.T, admin string, times int) {
	t.Helper()
	for k := 1; k < times; k++ {
		for _, s := range []string{
			`INSERT INTO printers (id, printer, bed_x_mm, bed_y_mm) OVERRIDING SYSTEM VALUE SELECT id + %[1]d * 100000, printer || '-%[1]d', bed_x_mm, bed_y_mm FROM printers WHERE id < 100000`,
			`INSERT INTO plates (id, plate, surface) OVERRIDING SYSTEM VALUE SELECT id + %[1]d * 100000, plate || '-%[1]d', surface FROM plates WHERE id < 100000`,
			`INSERT INTO first_layers (id, started_at, graded_at, noted_at, arrived_at, printer, plate, grade, grader, material, underside, marks)
				SELECT gen_random_uuid(), started_at, graded_at, noted_at, arrived_at, printer + %[1]d * 100000, plate + %[1]d * 100000, grade, grader, material, underside, marks FROM first_layers WHERE printer < 100000`,
			`INSERT INTO probes (id, probed_at, noted_at, arrived_at, printer, plate) SELECT gen_random_uuid(), probed_at, noted_at, arrived_at, printer + %[1]d * 100000, plate + %[1]d * 100000 FROM probes WHERE printer < 100000`,
			`INSERT INTO cleanings (id, cleaned_at, noted_at, arrived_at, plate, method) SELECT gen_random_uuid(), cleaned_at, noted_at, arrived_at, plate + %[1]d * 100000, method FROM cleanings WHERE plate < 100000`,
			`INSERT INTO services (id, done_at, noted_at, arrived_at, printer, work) SELECT gen_random_uuid(), done_at, noted_at, arrived_at, printer + %[1]d * 100000, work FROM services WHERE printer < 100000`,
		} {
			sql(t, admin, fmt.Sprintf(s, k))
		}
	}
}

func sql(t *testing.T, url, statement string) {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	if _, err := conn.Exec(ctx, statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func mustRun(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", cmd, err, out)
	}
}

func fromEnv(name string, standard int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return standard
}

func median(list []time.Duration) time.Duration {
	list = slices.Clone(list)
	slices.Sort(list)
	return list[len(list)/2]
}
