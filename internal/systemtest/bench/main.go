// Command bench runs the benchmarks that compare both sides in one run, several times, and prints each ratio's median and spread
// beside its target. It judges medians; a wide spread says the machine was busy.
package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"slices"
	"strconv"
	"strings"
)

// figure is one measured ratio or rate and what it should be.
type figure struct {
	what      string // for people
	pkg       string
	benchmark string // name without Benchmark
	metric    string // unit given to b.ReportMetric
	atLeast   float64
	atMost    float64
}

// figures are the promises of speed. Both sides of a ratio run in turn, in one process, on one machine.
var figures = []figure{
	{what: "due core: unit-clock evaluations a second on one core", pkg: "./services/compliance/due", benchmark: "Evaluate", metric: "clocks/s", atLeast: 200_000},
	{what: "append of 1,000 entries through the whole stack, against a raw COPY", pkg: "./services/history/historyrpc", benchmark: "Append1000", metric: "ratio", atLeast: 0.25},
	{what: "signing of 60 steps, 25 readings, 14 parts, against an empty call and the raw rows", pkg: "./services/history/historyrpc", benchmark: "SignOrder", metric: "ratio", atMost: 3},
	{what: "due list of 50 rows: 100,000 units against 1,000", pkg: "./services/compliance/compliancerpc", benchmark: "DueList", metric: "ratio", atMost: 1.5},
	{what: "where a lot's 50 parts went: 1,000,000 parts against 1,000", pkg: "./services/history/historypg", benchmark: "TraceLot", metric: "ratio", atMost: 1.5},
	{what: "100,000 units by 20 rules from five years: one statement against us", pkg: "./services/compliance/compliancepg", benchmark: "RecomputeFleet", metric: "ratio", atLeast: 5},
	{what: "an outfit of five promised, against raw rows under the same constraint", pkg: "./services/compliance/compliancerpc", benchmark: "AllocateOutfit", metric: "ratio", atMost: 3},
	{what: "64 callers who search, promise and release: slowest hundredth against the median", pkg: "./services/compliance/compliancerpc", benchmark: "SixtyFourCallers", metric: "ratio", atMost: 10},
	{what: "one dive derived and stored: 1,000,000 units against 1,000", pkg: "./services/compliance/compliancepg", benchmark: "OneDive", metric: "ratio", atMost: 1.5},
	{what: "search of a kind at a shop of 100,000 units, one caller: p50 against a bare handler", pkg: "./services/compliance/compliancerpc", benchmark: "SearchAvailability", metric: "p50ratio", atMost: 2},
	{what: "the same, 16 callers: rate against a bare handler", pkg: "./services/compliance/compliancerpc", benchmark: "SearchAvailability", metric: "rateratio", atLeast: 0.5},
	{what: "the same: p50 with row security against without", pkg: "./services/compliance/compliancerpc", benchmark: "SearchGuard", metric: "ratio", atMost: 1.35},
	{what: "the same: 1,000,000 units against 1,000", pkg: "./services/compliance/compliancerpc", benchmark: "SearchGrowth", metric: "ratio1000k", atMost: 1.5},
	{what: "the same answer by SQL over the log, against the due list", pkg: "./services/compliance/compliancerpc", benchmark: "DueListOverLog", metric: "ratio", atLeast: 50},
}

func main() {
	count := flag.Int("count", 5, "how many times each benchmark runs")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, *count); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, count int) error {
	measured := map[string][]float64{} // by package, benchmark and metric
	var done []string
	for _, f := range figures {
		if slices.Contains(done, f.pkg) {
			continue
		}
		done = append(done, f.pkg)
		var names []string
		for _, g := range figures {
			if g.pkg == f.pkg {
				names = append(names, "Benchmark"+g.benchmark+"$")
			}
		}
		fmt.Fprintf(os.Stderr, "running %s of %s, %d times\n", strings.Join(names, " "), f.pkg, count)
		if err := benchmark(ctx, f.pkg, strings.Join(names, "|"), count, measured); err != nil {
			return err
		}
	}
	failed := 0
	fmt.Printf("%-75s %12s %25s %12s\n", "figure", "median", "(min to max)", "target")
	for _, f := range figures {
		v := measured[f.pkg+" "+f.benchmark+" "+f.metric]
		if len(v) == 0 {
			return fmt.Errorf("benchmark %s of %s reported no %s", f.benchmark, f.pkg, f.metric)
		}
		slices.Sort(v)
		median := v[len(v)/2]
		target, ok := fmt.Sprintf(">= %s", number(f.atLeast)), median >= f.atLeast
		if f.atMost > 0 {
			target, ok = fmt.Sprintf("<= %s", number(f.atMost)), median <= f.atMost
		}
		verdict := "met"
		if !ok {
			verdict = "MISSED"
			failed++
		}
		fmt.Printf("%-75s %12s %25s %12s  %s\n", f.what, number(median), fmt.Sprintf("(%s to %s)", number(v[0]), number(v[len(v)-1])), target, verdict)
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d targets missed", failed, len(figures))
	}
	return nil
}

func benchmark(ctx context.Context, pkg, names string, count int, into map[string][]float64) error {
	cmd := exec.CommandContext(ctx, "go", "test", "-run", "^$", "-bench", names, "-count", strconv.Itoa(count), "-timeout", "60m", pkg)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	var tail []string
	for sc := bufio.NewScanner(out); sc.Scan(); {
		tail = append(tail, sc.Text())
		words := strings.Fields(sc.Text())
		if len(words) < 2 || !strings.HasPrefix(words[0], "Benchmark") {
			continue
		}
		name, _, _ := strings.Cut(strings.TrimPrefix(words[0], "Benchmark"), "-")
		name, _, _ = strings.Cut(name, "/") // the variants of one benchmark count together
		for i := 2; i+1 < len(words); i += 2 {
			if v, err := strconv.ParseFloat(words[i], 64); err == nil {
				key := pkg + " " + name + " " + words[i+1]
				into[key] = append(into[key], v)
			}
		}
	}
	if err := cmd.Wait(); err != nil {
		return fmt.Errorf("%s: %w\n%s", pkg, err, strings.Join(tail, "\n"))
	}
	return nil
}

// number prints a figure with as many digits as it is worth.
func number(v float64) string {
	switch {
	case v >= 1000:
		s := strconv.FormatFloat(v, 'f', 0, 64)
		for i := len(s) - 3; i > 0; i -= 3 {
			s = s[:i] + "," + s[i:]
		}
		return s
	case v >= 10:
		return strconv.FormatFloat(v, 'f', 1, 64)
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}
