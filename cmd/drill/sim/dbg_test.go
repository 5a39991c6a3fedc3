package sim

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
)

func TestDbg(t *testing.T) {
	s := Random(30)
	x := newRunner()
	m := &machine{s: &s, ctx: context.Background(), log: quietLog(), r: rand.New(rand.NewPCG(s.Seed, 0xfade)), now: start, reader: x.reader, truth: truth{}}
	m.db = newDatabase(m)
	m.broker = newBroker(m)
	for i := range s.Collectors {
		m.collectors = append(m.collectors, newCollector(m, &s.Collectors[i]))
	}
	m.run()
	m.check()
	fmt.Println(m.trouble)
	for _, st := range m.broker.list {
		fmt.Println(st.sequence, st.subject, st.header.Get("Fadeledger-Batch"), (st.at-start)/minute, m.broker.readers[st.partition].acked[st.sequence], m.recorded(st))
	}
	fmt.Println(m.broker.identity, m.broker.last)
	for _, f := range s.Faults {
		fmt.Printf("%+v\n", f)
	}
}
