from decimal import Decimal as D
from clipmark.scoring.result import *
def result():
    T=(TestFacts('board ladder','ladder','birch','step_deg','deg','best',3,1,'At most 3 tries per step; the ladder ends after 1 failed step.'),TestFacts('creep','smoothness','mat','ripple','','best',said='Ripple from 0.5 to 5 Hz.'))
    def att(i,entry,setup,test,value,u,**k): return AttemptScore(f'a{i:04d}',1,i,test,'',entry,setup,'birch',1,None,'cleared','',value,u,value-u,value+u,**k)
    A=(att(1,'Siskin','as entered','creep',.126,.002),att(2,'Siskin','as entered','creep',.131,.002),att(3,'Siskin','soft tyres','creep',.09,.002),att(4,'Siskin','soft tyres','creep',.086,.002),att(5,'Wren','as entered','creep',.3,.01))
    rows=(Row('r1','','Siskin','soft tyres','K. Fell',D('183.25'),1,False,(.9,.1),1,2,False,('r2',),3.,180.,186.,{}, True,(),(
       TestScore('board ladder','scored',D('90'),1,(.9,.1),44.,None,'deg',None,None,9,6,('a0001',),(),'3 of 3 passed: at least 37 % of tries would be, with 95 %'),TestScore('creep','scored',D('93.25'),1,(.99,.01),.086,.002,'',92.1,94.2,2,2))),
     Row('r2','','Siskin','as entered','K. Fell',D('150.5'),2,False,(.1,.9),1,2,False,('r1',),3.,147.,154.,{},False,(),(TestScore('board ladder','scored',D('70'),2,(.1,.9),42.,None,'deg',None,None,9,5),TestScore('creep','scored',D('80.5'),2,(.01,.99),.126,.002,'',79.,82.,2,2))),
     Row('r3','','Wren','as entered','',None,None,False,remarks=('did not start on the board ladder',),tests=(TestScore('board ladder','did not start'),TestScore('creep','no reading'))))
    L=(LimitFact('board ladder','r1','spun','fixed steps',9,6,0,44.9,44.1,46.2,.7,'limit 44.9°, 44.1° to 46.2° (95 %), spun'),LimitFact('board ladder','r2','spun','fixed steps',9,5,0,42.8,41.9,43.5,.7,'limit 42.8°'),LimitFact('board ladder','r3','any','bound',3,3,0,None,40.,None,None,'at least 40°'))
    return EventResult('Tarn Hollow','2026','x','standings','highest',('',),T,rows,A,L,notes=('Places are drawn 20000 times.',),flags=(Flag('claim','a0003 is under protest.'),),changes=(Change('r1','place','2','1','Siskin (soft tyres): place 2 before, 1 now.'),),since='line 12')
