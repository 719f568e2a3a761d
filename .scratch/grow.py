import sys,time; sys.path.insert(0,'.')
from pathlib import Path
from tests.benchmarks.history_file import grown
from bridge.history.grouped import *
from bridge.history.reader import Reader
p=Path('.scratch/five.db')
if not p.exists(): grown(p,hours=5*8766)
now=int(time.time()*1000)
S=(Series.PRODUCT_PPM,Series.UNCERTAINTY,Series.RESERVOIR_PPM,Series.VOLUME,Series.TEMPERATURE,Series.FEED_PPM)
for days,span,w in ((5*365,3600000,3600000*72),(31,60000,60000*60),(7,60000,60000*15),(1,60000,120000)):
    t=time.process_time()
    with Reader(p) as r:
        g=r.groups('barrel-0',now-days*86400000,now,Grouping(span,w,S,frozenset(S[:2])))
    print(days,len(g),time.process_time()-t)
