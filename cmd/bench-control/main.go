package main

import (
	"fmt"
	"os"
	"strconv"

	"offsetbridge/simulators/plant"
)

func main() {
	n := 50
	if len(os.Args) > 1 {
		n, _ = strconv.Atoi(os.Args[1])
	}
	for _, p := range plant.Scenarios() {
		if len(os.Args) > 2 && os.Args[2] != p.ID {
			continue
		}
		b := 0.0
		for s := range n {
			b += boundRun(p, uint64(s+1))
		}
		bound := outcome{Squares: b, Parts: n * p.Parts}
		fmt.Printf("%-4s bound %.3f", p.ID, bound.rms())
		f := factsOf(p)
		for _, mk := range []func() policy{
			func() policy { return none{} },
			func() policy { return &limitPerson{person: person{f: f}} },
			func() policy { return &eachPart{person: person{f: f}, share: 1} },
			func() policy { return &averageOfFive{person: person{f: f}} },
			func() policy { return &eachPart{person: person{f: f}, share: 0.3} },
			func() policy { return newBank(f, false) },
			func() policy { return newBank(f, true) },
		} {
			var o outcome
			for s := range n {
				o.add(run(p, uint64(s+1), mk(), 0))
			}
			fmt.Printf("  %6.2f", o.rms()/bound.rms())
		}
		fmt.Println()
	}
}
