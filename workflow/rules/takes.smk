# One take at a time: its audio, its notes, their strings, their pitches, in one job.
#
# input:  results/tickets/{decode,listen}/<take>.json
# output: results/{decoded,notes,strings,measured}/<take>.json
#
# The audio itself is not compared by time (its facts are, which are written with it): files over
# a megabyte have no checksum, and a copied folder would be measured again.


rule listen:
    input:
        code=ticket("code/listen.json"),
        recording=ticket("decode/{take}.json"),
        ticket=ticket("listen/{take}.json"),
    output:
        audio="results/decoded/{take}.npy",
        facts="results/decoded/{take}.json",
        notes="results/notes/{take}.json",
        strings="results/strings/{take}.json",
        measured="results/measured/{take}.json",
    log:
        "results/logs/takes/{take}.log",
    shell:
        "stage steps"
        " decode --ticket {input.recording:q} --audio {output.audio:q} --facts {output.facts:q}"
        " --then segment --ticket {input.ticket:q} --audio {output.audio:q}"
        " --facts {output.facts:q} --notes {output.notes:q}"
        " --then identify --ticket {input.ticket:q} --notes {output.notes:q}"
        " --strings {output.strings:q}"
        " --then measure --ticket {input.ticket:q} --strings {output.strings:q}"
        " --audio {output.audio:q} --measured {output.measured:q} > {log:q} 2>&1"
