package broker_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"fadeledger/ingest/broker"
)

// BenchmarkSyncAlwaysBatches compares atomic batches with a message at a time
// (512 of them under way) on a server that syncs before it answers, in five
// interleaved pairs: 60 samples a message as CSV, 3.5 kB. The goal is a ratio
// of 5.
func BenchmarkSyncAlwaysBatches(b *testing.B) {
	env := startAs(b, broker.EmbeddedConfig{Sync: broker.SyncAlways}, broker.Config{})
	body := strings.Repeat("x", 3500)
	run := 0
	rate := func(p *broker.Publisher, n int) float64 {
		msgs := make([]broker.Message, n)
		for i := range msgs {
			run++
			msgs[i] = csv(fmt.Sprintf("b-%d", run), body)
		}
		begin := time.Now()
		if _, err := p.PublishBatch(b.Context(), "c-07", msgs); err != nil {
			b.Fatal(err)
		}
		return float64(n) / time.Since(begin).Seconds()
	}
	single, batched := env.publisher(b, 0), env.publisher(b, broker.DefaultBatchMessages)
	for b.Loop() {
		var ratios, singles, batches []float64
		for range 5 {
			s, t := rate(single, 1000), rate(batched, 5000)
			singles, batches, ratios = append(singles, s), append(batches, t), append(ratios, t/s)
		}
		for _, list := range [][]float64{ratios, singles, batches} {
			slices.Sort(list)
		}
		b.ReportMetric(ratios[2], "batched/single")
		b.ReportMetric(singles[2], "single-msg/s")
		b.ReportMetric(batches[2], "batched-msg/s")
	}
}
