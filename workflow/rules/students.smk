# One student at a time: the score and the record, then the sheet and the listening copies.
#
# input:  results/tickets/{score,render}/<student>.json, results/measured/<take>.json
# output: below results/work: scores/ and records/<student>.json, sheets/<student>.pdf,
#         clips/<student>/, faults/<student>.json (of our own program; mostly an empty list)


rule score:
    input:
        code=ticket("code/score.json"),
        ticket=ticket("score/{student}.json"),
        measured=of_takes("results/measured/{take}.json"),
        facts=of_takes("results/decoded/{take}.json"),
    output:
        score="results/work/scores/{student}.json",
        record="results/work/records/{student}.json",
    log:
        "results/logs/score/{student}.log",
    shell:
        "stage score --ticket {input.ticket:q} --measured {input.measured:q}"
        " --facts {input.facts:q} --record {output.record:q} --score {output.score:q}"
        " > {log:q} 2>&1"


rule render:
    input:
        code=ticket("code/render.json"),
        ticket=ticket("render/{student}.json"),
        record="results/work/records/{student}.json",
        facts=of_takes("results/decoded/{take}.json"),
        audio=ancient(of_takes("results/decoded/{take}.npy")),
    output:
        sheet="results/work/sheets/{student}.pdf",
        clips=directory("results/work/clips/{student}"),
        faults="results/work/faults/{student}.json",
    log:
        "results/logs/render/{student}.log",
    shell:
        "stage render --ticket {input.ticket:q} --record {input.record:q} --audio {input.audio:q}"
        " --sheet {output.sheet:q} --clips {output.clips:q} --faults {output.faults:q}"
        " > {log:q} 2>&1"
