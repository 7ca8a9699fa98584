# One student at a time: the score and the record, then the sheet and the listening copies.
#
# input:  results/tickets/{score,render}/<student>.json, results/measured/<take>.json
# output: below results/work: scores/ and records/<student>.json, sheets/<student>.pdf,
#         clips/<student>/, faults/<student>.json (of our own program; mostly an empty list)


rule report:
    input:
        code=ticket("code/report.json"),
        score=ticket("score/{student}.json"),
        render=ticket("render/{student}.json"),
        measured=of_takes("results/measured/{take}.json"),
        facts=of_takes("results/decoded/{take}.json"),
        audio=ancient(of_takes("results/decoded/{take}.npy")),
    output:
        score="results/work/scores/{student}.json",
        record="results/work/records/{student}.json",
        sheet="results/work/sheets/{student}.pdf",
        clips=directory("results/work/clips/{student}"),
        faults="results/work/faults/{student}.json",
    log:
        "results/logs/students/{student}.log",
    shell:
        "stage steps"
        " score --ticket {input.score:q} --measured {input.measured:q} --facts {input.facts:q}"
        " --record {output.record:q} --score {output.score:q}"
        " --then render --ticket {input.render:q} --record {output.record:q}"
        " --audio {input.audio:q} --sheet {output.sheet:q} --clips {output.clips:q}"
        " --faults {output.faults:q} > {log:q} 2>&1"
